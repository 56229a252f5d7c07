"""What is measured after a session: each measure's item, window and predicates, written once."""

from __future__ import annotations

from dataclasses import dataclass

from registry.milestones import MONTH_6, MONTH_12, Milestone

from .process_labels import PROCESS_LABELS

NEXT_SESSION_PROBABILITY = "next_session_probability"
NEXT_SESSION_ANYWHERE = "next_session_anywhere_probability"
NEXT_SESSION_FROM_FIRST = "next_session_from_first_probability"
DEATH_BEFORE_NEXT_SESSION = "death_before_next_session"
GRAFT_SURVIVAL = "graft_survival"
GRAFT_SURVIVAL_CAPPED = "graft_survival_capped"


@dataclass(frozen=True)
class SessionCause:
    """Why a next session takes place. reasons: codes of session_reason; None for all that are left."""

    name: str
    measure: str
    label: str
    reasons: tuple[str, ...] | None


NEXT_SESSION_WITH_DEATH = SessionCause("next_session", "next_session_incidence", "Next session, death competing", None)
NEXT_SESSION_CAUSES = (
    SessionCause(
        "progression_or_density",
        "next_session_for_progression_or_density",
        "Next session for progression or density",
        ("progression", "density"),
    ),
    SessionCause(
        "planned_stage", "next_session_as_planned_stage", "Next session as a planned stage", ("planned_stage",)
    ),
    SessionCause(
        "other_reason",
        "next_session_for_another_reason",
        "Next session for another reason",
        ("poor_growth", "scar_revision", "repair", "other", "first_restoration"),
    ),
    SessionCause("not_recorded", "next_session_reason_not_recorded", "Next session, reason not recorded", None),
)

NEXT_SESSION_MEASURES = (
    NEXT_SESSION_PROBABILITY,
    NEXT_SESSION_ANYWHERE,
    NEXT_SESSION_FROM_FIRST,
    NEXT_SESSION_WITH_DEATH.measure,
    *(cause.measure for cause in NEXT_SESSION_CAUSES),
    DEATH_BEFORE_NEXT_SESSION,
)
"""Shares over the time since a session."""


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

FURTHER_SESSIONS = "further_sessions_per_patient"
MEDIAN_FOLLOW_UP = "median_follow_up"
FOLLOW_UP_COMPLETENESS = "follow_up_completeness"
LOST_HAD_NONE = "next_session_if_lost_had_none"
LOST_HAD_ONE = "next_session_if_lost_had_one"
ENDED_AT_LAST_CONTACT = "next_session_if_ended_at_last_contact"
CONTACT_WEIGHTED = "next_session_anywhere_contact_weighted"
HEAVIEST_WEIGHT = "heaviest_contact_weight"
COMPLICATIONS_PER_SESSION = "complication_records_per_session"
SESSIONS_BETWEEN = "sessions_between_complications"
CLAVIEN_DINDO_RECORDS = "clavien_dindo_records"
CLAVIEN_DINDO_OUTSIDE = "clavien_dindo_records_outside"
EFFECTIVE_SHARE = "effective_share_of_contacts"
LOG_RANK_P = "log_rank_p_value"
LAW_AIC = "duration_law_aic"
GRAY_P = "gray_p_value"
DAYS_TO_NEXT_SESSION = "days_to_next_session"
DAYS_WITHOUT_NEXT_SESSION = "mean_days_without_next_session"
SESSION_LENGTH = "session_length"
SUTURES_OUT = "sutures_out_day"


@dataclass(frozen=True)
class Quantity:
    """A measure that is no share. unit: `days`, `sessions`, `per_1000` (sessions) or `number`."""

    label: str
    unit: str


QUANTITIES: dict[str, Quantity] = {
    FURTHER_SESSIONS: Quantity("Further sessions here per patient", "sessions"),
    MEDIAN_FOLLOW_UP: Quantity("Median follow-up", "days"),
    CLAVIEN_DINDO_RECORDS: Quantity("Complications by Clavien-Dindo grade, per 1,000 sessions", "per_1000"),
    COMPLICATIONS_PER_SESSION: Quantity("Complication records per session", "number"),
    SESSIONS_BETWEEN: Quantity("Sessions between complications", "sessions"),
    HEAVIEST_WEIGHT: Quantity("Heaviest weight", "number"),
    LOG_RANK_P: Quantity("Do the groups differ? Log-rank test, p", "number"),
    LAW_AIC: Quantity("AIC of a law above that of the best law", "number"),
    GRAY_P: Quantity("Do the groups differ? Gray's test, p", "number"),
    DAYS_TO_NEXT_SESSION: Quantity("Time by which a share had a next session", "days"),
    DAYS_WITHOUT_NEXT_SESSION: Quantity("Mean time without a next session", "days"),
    SESSION_LENGTH: Quantity("Length of a session", "hours"),
    SUTURES_OUT: Quantity("Sutures out", "days"),
}
"""How to say, and to write, what is no share."""

MEASURE_LABELS: dict[str, str] = {
    NEXT_SESSION_PROBABILITY: "Next session",
    NEXT_SESSION_ANYWHERE: "Next session, here or elsewhere",
    NEXT_SESSION_FROM_FIRST: "Next session since the first surgery anywhere",
    **{cause.measure: cause.label for cause in (NEXT_SESSION_WITH_DEATH, *NEXT_SESSION_CAUSES)},
    DEATH_BEFORE_NEXT_SESSION: "Death before a next session",
    LOST_HAD_NONE: "If none of those lost had one",
    ENDED_AT_LAST_CONTACT: "If seen only to the last contact",
    LOST_HAD_ONE: "If each of those lost had one the next day",
    CONTACT_WEIGHTED: "Weighted by the chance of contact",
    EFFECTIVE_SHARE: "Effective share of those in contact, after weights",
    FOLLOW_UP_COMPLETENESS: "Follow-up seen, of what could be",
    **{window.name: window.label for window in WINDOW_MEASURES},
    **{present.name: present.label for present in PRESENT_MEASURES},
    GRAFT_SURVIVAL: "Graft survival",
    GRAFT_SURVIVAL_CAPPED: "Graft survival, each area at most what was placed",
    **PROCESS_LABELS,
}
"""Every measure that is a share, and how to say it. Benchmarks and targets of the settings may stand for any
of them."""

OVER_TIME = frozenset(
    {
        *NEXT_SESSION_MEASURES,
        FURTHER_SESSIONS,
        LOST_HAD_NONE,
        ENDED_AT_LAST_CONTACT,
        LOST_HAD_ONE,
        CONTACT_WEIGHTED,
        HEAVIEST_WEIGHT,
        EFFECTIVE_SHARE,
        FOLLOW_UP_COMPLETENESS,
        DAYS_WITHOUT_NEXT_SESSION,
    }
)
"""Measures told at several times since a session, one under another."""
