"""What the registry says now of a measure, and how fast and how completely it counts: the ground of every plan."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta

from registry.durations import years
from registry.errors import GraftledgerError, nearest
from registry.store import Registry

from ..complications import complications
from ..estimators.clustered_ratio import RatioSums
from ..estimators.clustered_share import clustered_share
from ..figure import Figure
from ..graft_survival import graft_survival
from ..groups import Chosen, shared_texts, shared_values
from ..measures import GRAFT_SURVIVAL, NEXT_SESSION_WITH_DEATH
from ..next_session import next_session_causes
from ..session_answers import QUESTIONS, Question, judged, kept_answers

NEXT_SESSION = "next_session"
SHARES = tuple(dict.fromkeys(question.measure.name for question in QUESTIONS))
PLANNED = (*SHARES, GRAFT_SURVIVAL, NEXT_SESSION)
"""What can be planned."""

PACE_YEARS = 3
FOLLOW_UP_DAYS = years(5)
"""Of a next session, where nothing else is asked."""

_LOST = ("died", "operated_again", "not_reached", "missed_visit", "item_empty", "not_counted")
"""Reasons for which a case that was begun with is not counted in the end; the others are of cases never to be asked,
or too young."""


@dataclass(frozen=True)
class Seen:
    """base: the registry's own figure. design_effect: 1 or more. share_counted: of the cases begun with, above 0.
    counted_a_year: at the pace of the last years; None where that cannot be read. wait_days: until a case is counted.
    """

    base: Figure
    design_effect: float
    share_counted: float
    counted_a_year: float | None
    wait_days: int

    @property
    def estimate(self) -> float:
        """Raises: GraftledgerError where it rests on too few."""
        if self.base.estimate is None or {"too_few", "beyond_follow_up"} & set(self.base.flags):
            raise GraftledgerError("The registry has too few cases of this to plan with. Choose another time, or wait.")
        return self.base.estimate


def seen_now(registry: Registry, measure: str, chosen: Chosen, at_days: int | None = None) -> Seen:
    """What planning needs of a measure.

    measure: of PLANNED. at_days: the milestone of a measure that has several; the follow-up of a next session.
    Raises: GraftledgerError for another measure, or a time at which it is not told.
    """
    if measure not in PLANNED:
        raise GraftledgerError(f"'{measure}' cannot be planned. {nearest(measure, list(PLANNED))}")
    if measure == NEXT_SESSION:
        return _next_session(registry, chosen, at_days or FOLLOW_UP_DAYS)
    if measure == GRAFT_SURVIVAL:
        base = _yield(registry, chosen)
        last = registry.settings.mature_window[1]
        pace = _pace(registry, _yield(registry, _recent(registry, chosen, last)).n_clusters, last)
        return Seen(base, 1.0, _share_counted(base), pace, last)
    base = _share(registry, measure, chosen, at_days)
    wait = _question(base).closes
    pace = _pace(registry, _share(registry, measure, _recent(registry, chosen, wait), base.at).n, wait)
    return Seen(base, _design_effect(registry, base, chosen), _share_counted(base), pace, wait)


def _share(registry: Registry, measure: str, chosen: Chosen, at_days: int | None) -> Figure:
    found = [figure for figure in complications(registry, chosen=chosen) if figure.measure == measure]
    times = [figure.at for figure in found if figure.at is not None]
    if not times:
        return found[0]
    wanted = times[-1] if at_days is None else at_days
    if wanted not in times:
        days = " or ".join(f"{day}d" for day in times)
        raise GraftledgerError(f"{measure} is told at {days} only. Give one of these with --at.")
    return found[times.index(wanted)]


def _yield(registry: Registry, chosen: Chosen) -> Figure:
    return next(figure for figure in graft_survival(registry, chosen=chosen) if figure.measure == GRAFT_SURVIVAL)


def _next_session(registry: Registry, chosen: Chosen, at_days: int) -> Seen:
    """Of sessions here nobody is lost before the records end, so a share of them is all that time takes."""
    measure = NEXT_SESSION_WITH_DEATH.measure
    base = next(
        figure
        for figure in next_session_causes(registry, at_days=[at_days], chosen=chosen)
        if figure.measure == measure
    )
    recent = next_session_causes(registry, at_days=[at_days], chosen=_recent(registry, chosen, 0))
    return Seen(base, 1.0, 1.0, _pace(registry, recent[0].n, 0), at_days)


def _question(base: Figure) -> Question:
    return next(each for each in QUESTIONS if (each.measure.name, each.at) == (base.measure, base.at))


def _share_counted(base: Figure) -> float:
    lost = sum(base.not_counted.get(reason, 0) for reason in _LOST)
    counted = base.n if base.n_unit == "sessions" else base.n_clusters or 0
    return counted / (counted + lost) if counted else 1.0


def _design_effect(registry: Registry, base: Figure, chosen: Chosen) -> float:
    """Of sessions within patients, as if all of a patient's sessions were in one group; 1 without an event."""
    values, texts = shared_values(registry.settings, None, chosen), shared_texts((), chosen)
    with kept_answers(registry, values, texts):
        sums = RatioSums(*judged(registry, _question(base), "planned_cluster", texts).row(0))
    return clustered_share(sums).design_effect if 0 < sums.sum_y < sums.sum_x else 1.0


def _recent(registry: Registry, chosen: Chosen, wait_days: int) -> Chosen:
    """Of the chosen, those operated on in the last years that are old enough to be counted."""
    if registry.data_date is None:
        return chosen
    until = registry.data_date - timedelta(days=wait_days)
    return replace(chosen, since=until - timedelta(days=years(PACE_YEARS)), until=until)


def _pace(registry: Registry, counted: int | None, wait_days: int) -> float | None:
    """Cases counted in a year, of those operated on in the last years; in fewer where the registry is younger."""
    if registry.data_date is None or not counted:
        return None
    until = registry.data_date - timedelta(days=wait_days)
    first = registry.connection.execute(
        "select min(performed_on) from session where performed_on >= ?", [until - timedelta(days=years(PACE_YEARS))]
    ).fetchall()[0][0]
    return counted / max((until - first).days, 1) * 365.25 if first and first <= until else None
