"""What is measured after a session: each measure's item, window and predicates, written once."""

from __future__ import annotations

from dataclasses import dataclass

from registry.milestones import MONTH_6, MONTH_12, Milestone

NEXT_SESSION_PROBABILITY = "next_session_probability"
NEXT_SESSION_ANYWHERE = "next_session_anywhere_probability"
NEXT_SESSION_MEASURES = (NEXT_SESSION_PROBABILITY, NEXT_SESSION_ANYWHERE)
GRAFT_SURVIVAL = "graft_survival"
GRAFT_SURVIVAL_CAPPED = "graft_survival_capped"


@dataclass(frozen=True)
class WindowMeasure:
    """An event within days of a session, known from what was asked at contacts.

    window: last day, counted from the session, on which an onset counts. closes: last day on which a contact may close
    the window. answered, positive: SQL predicates over a visit: was "since the last contact" answered, and answered
    with the event? seen: was the event seen at the visit itself? kind: complication records that tell of it too.
    """

    name: str
    label: str
    window: int
    closes: int
    answered: str
    positive: str
    seen: str = "false"
    kind: str | None = None

    @property
    def window_label(self) -> str:
        return f"0-{self.window}"


@dataclass(frozen=True)
class PresentMeasure:
    """A state found at a contact of a milestone. answered, positive: SQL predicates over a visit."""

    name: str
    label: str
    milestones: tuple[Milestone, ...]
    answered: str
    positive: str


WINDOW_MEASURES: tuple[WindowMeasure, ...] = (
    WindowMeasure(
        "severe_swelling",
        "Severe swelling",
        7,
        14,
        answered="swelling_since_last is not null",
        positive="swelling_since_last = 'severe'",
        seen="swelling_now = 'severe'",
    ),
    WindowMeasure(
        "bruised_eyes",
        "Bruised eyes",
        7,
        14,
        answered="periorbital_bruising_since_last is not null",
        positive="periorbital_bruising_since_last",
        kind="periorbital_bruising",
    ),
    WindowMeasure(
        "folliculitis",
        "Folliculitis",
        60,
        120,
        answered="folliculitis_since_last is not null",
        positive="folliculitis_since_last",
        seen="folliculitis_lesions > 0",
        kind="folliculitis",
    ),
    WindowMeasure(
        "infection",
        "Infection",
        60,
        120,
        answered="infection_since_last is not null",
        positive="infection_since_last <> 'none'",
        seen="infection <> 'none'",
        kind="infection",
    ),
)
"""Windows are common practice, no source. The severity of a complication record is another scale than that of
swelling, so no complication record tells of severe swelling."""

_DONOR_NUMB = "numbness_donor <> 'none'"
_RECIPIENT_NUMB = "numbness_recipient <> 'none'"

PRESENT_MEASURES: tuple[PresentMeasure, ...] = (
    PresentMeasure(
        "numbness",
        "Numbness",
        (MONTH_6, MONTH_12),
        # told only where both areas were answered: to count a lone numb area, but not a lone normal one, biases up
        answered="numbness_donor is not null and numbness_recipient is not null",
        positive=f"{_DONOR_NUMB} or {_RECIPIENT_NUMB}",
    ),
    PresentMeasure(
        "numbness_donor",
        "Numbness, donor area",
        (MONTH_6, MONTH_12),
        answered="numbness_donor is not null",
        positive=_DONOR_NUMB,
    ),
    PresentMeasure(
        "numbness_recipient",
        "Numbness, recipient area",
        (MONTH_6, MONTH_12),
        answered="numbness_recipient is not null",
        positive=_RECIPIENT_NUMB,
    ),
)

MEASURE_LABELS: dict[str, str] = {
    NEXT_SESSION_PROBABILITY: "Next session",
    NEXT_SESSION_ANYWHERE: "Next session, here or elsewhere",
    **{window.name: window.label for window in WINDOW_MEASURES},
    **{present.name: present.label for present in PRESENT_MEASURES},
    GRAFT_SURVIVAL: "Graft survival",
    GRAFT_SURVIVAL_CAPPED: "Graft survival, each area at most what was placed",
}
"""Every measure that is a share, and how to say it. A benchmark of the settings may stand for any of them."""
