"""What is known of sessions lately judged: the newest for which a measure's days are over, and those before them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from itertools import groupby

from registry.store import Registry

from ._queries import SESSION_HERE, kept, rows
from .complications import CONTACT_ANSWERS, LATEST_CLOSE, answer_columns
from .figure import Figure
from .graft_survival import graft_survival
from .groups import Chosen, choose, shared_texts, shared_values
from .measures import GRAFT_SURVIVAL, PRESENT_MEASURES, WINDOW_MEASURES, PresentMeasure, WindowMeasure
from .session_shares import by_group_and, session_shares
from .spans import Span, span_field


@dataclass(frozen=True)
class RecentOutcome:
    """One measure over several spans. operated: when the sessions of each took place. figures: one a span."""

    measure: str
    at: int | None
    operated: tuple[Span, ...]
    figures: tuple[Figure, ...]


@dataclass(frozen=True)
class _Item:
    """One question about sessions: which measure, and the days that judge it."""

    measure: WindowMeasure | PresentMeasure
    at: int | None
    opens: int
    closes: int


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
    items = [_Item(window, None, 0, window.closes) for window in WINDOW_MEASURES]
    items += [
        _Item(present, milestone.due, milestone.opens, milestone.closes)
        for present in PRESENT_MEASURES[:1]
        for milestone in present.milestones
    ]
    for closes, group in groupby(sorted(items, key=lambda item: item.closes), key=lambda item: item.closes):
        operated = tuple(span.earlier(closes) for span in spans)
        outcomes += _judged(registry, list(group), operated, as_of, level)
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
    registry: Registry, items: Sequence[_Item], operated: tuple[Span, ...], as_of: date | None, level: float
) -> list[RecentOutcome]:
    """Measures that are judged on the same day, and so look at the same sessions."""
    fields = (span_field(operated),)
    whole = Span("", min(span.first_on for span in operated), max(span.last_on for span in operated))
    chosen = _in(registry, whole)
    values, texts = shared_values(registry.settings, as_of, chosen), shared_texts(fields, chosen)
    found = []
    with (
        kept(registry, "judged_session", (*SESSION_HERE, "judged_session"), values, texts),
        kept(
            registry,
            "contact_day",
            ("contact_day",),
            {"latest_close": LATEST_CLOSE},
            {"contact_answers": CONTACT_ANSWERS},
        ),
    ):
        for item in items:
            judged, steps, days = _step(item)
            counts = rows(
                registry,
                (*steps, "judged_count"),
                "select *, '' as value from judged_count order by all",
                days,
                {**texts, **answer_columns(item.measure), "judged": judged},
            )
            figures = session_shares(
                registry,
                by_group_and("value", counts, fields),
                "",
                fields,
                chosen,
                level,
                measure=item.measure.name,
                at=item.at,
                window=item.measure.window_label
                if isinstance(item.measure, WindowMeasure)
                else f"{item.opens}-{item.closes}",
            )
            by_span = {figure.group["span"]: figure for figure in figures}
            ordered = tuple(by_span[str(number)] for number in range(len(operated)))
            found.append(RecentOutcome(item.measure.name, item.at, operated, ordered))
    return found


def _step(item: _Item) -> tuple[str, tuple[str, ...], dict[str, object]]:
    """The step that judges sessions, those before it, and the values they bind."""
    if isinstance(item.measure, WindowMeasure):
        window = item.measure
        days: dict[str, object] = {"window": window.window, "closes": window.closes, "kind": window.kind}
        return "window_judged", ("chain", "onset", "window_judged"), days
    return "present_judged", ("present_judged",), {"due": item.at, "opens": item.opens, "closes": item.closes}


def _in(registry: Registry, span: Span) -> Chosen:
    return choose(registry.settings, since=span.first_on, until=span.last_on)
