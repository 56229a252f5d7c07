"""What is known of sessions lately judged: the newest for which a measure's days are over, and those before them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from itertools import groupby

from registry.store import Registry

from .figure import Figure
from .graft_survival import graft_survival
from .groups import Chosen, choose, shared_texts, shared_values
from .measures import GRAFT_SURVIVAL, PRESENT_MEASURES, WINDOW_MEASURES
from .session_answers import QUESTIONS, Question, judged, kept_answers
from .session_shares import by_group, session_shares
from .spans import Span, span_field

ASKED = tuple(each for each in QUESTIONS if each.measure in (*WINDOW_MEASURES, PRESENT_MEASURES[0]))
"""The questions about complications that are followed from quarter to quarter."""


@dataclass(frozen=True)
class RecentOutcome:
    """One measure over several spans. operated: when the sessions of each took place. figures: one a span."""

    measure: str
    at: int | None
    operated: tuple[Span, ...]
    figures: tuple[Figure, ...]


def recent_outcomes(
    registry: Registry, spans: Sequence[Span], *, as_of: date | None = None, level: float = 0.95
) -> tuple[RecentOutcome, ...]:
    """Complications, numbness and graft survival of sessions whose days ended in each span.

    A session is judged once the last day on which a contact may tell has passed: 14 days for swelling, 120 for an
    infection, 450 for numbness at month 12, 548 for grafts. So each measure looks at sessions of another time, which
    `operated` states, and no session too young for a measure counts in it.
    Estimators, assumptions and what misleads: as `complications` and `graft_survival`. Spans of a quarter hold few
    sessions; two of them differ by chance alone more often than not.
    spans: ascending or not, each under its own name. as_of: what happened later is ignored. level: above 0, below 1.
    Returns one outcome a measure and milestone, its figures in the order of the spans, grouped by `span`.
    """
    outcomes: list[RecentOutcome] = []
    for closes, questions in groupby(sorted(ASKED, key=lambda each: each.closes), key=lambda each: each.closes):
        operated = tuple(span.earlier(closes) for span in spans)
        outcomes += _judged(registry, list(questions), operated, as_of, level)
    operated = tuple(span.earlier(registry.settings.mature_window[1]) for span in spans)
    grafts = [
        next(
            figure
            for figure in graft_survival(registry, chosen=_in(registry, span), as_of=as_of, level=level)
            if figure.measure == GRAFT_SURVIVAL
        )
        for span in operated
    ]
    return (*outcomes, RecentOutcome(GRAFT_SURVIVAL, None, operated, tuple(grafts)))


def _judged(
    registry: Registry, questions: Sequence[Question], operated: tuple[Span, ...], as_of: date | None, level: float
) -> list[RecentOutcome]:
    """Questions that are answered on the same day, and so look at the same sessions."""
    fields = (span_field(operated),)
    whole = Span("", min(span.first_on for span in operated), max(span.last_on for span in operated))
    chosen = _in(registry, whole)
    values, texts = shared_values(registry.settings, as_of, chosen), shared_texts(fields, chosen)
    found = []
    with kept_answers(registry, values, texts):
        for question in questions:
            counts = by_group(judged(registry, question, "judged_count", texts), fields)
            figures = session_shares(registry, counts, fields, chosen, level, **question.names)
            by_span = {figure.group["span"]: figure for figure in figures}
            ordered = tuple(by_span[str(number)] for number in range(len(operated)))
            found.append(RecentOutcome(question.measure.name, question.at, operated, ordered))
    return found


def _in(registry: Registry, span: Span) -> Chosen:
    return choose(registry.settings, since=span.first_on, until=span.last_on)
