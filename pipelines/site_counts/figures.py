"""The figures of pooled counts, by the estimators and the words of every other figure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from registry.durations import months
from registry.errors import GraftledgerError

from ..complication_counts import WindowCounts
from ..complication_incidence import incidence_figures
from ..complication_kinds import DEFAULT_WINDOWS, KINDS, SEVERITIES, ComplicationMeasure, class_of
from ..complication_request import SESSION
from ..figure import Figure
from ..graft_survival import survival_figures
from ..groups import EVERYBODY, GroupField, all_groups
from ..measures import NEXT_SESSION_CAUSES, NEXT_SESSION_WITH_DEATH
from ..next_session.causes import DEATH, cause_figures
from ..next_session.estimands import ANYWHERE, HERE, Estimand
from ..next_session.probability import curve_of
from ..next_session.reading import DEFAULT_AT_DAYS, Subject, event_figures
from ..next_session.spells import Group, GroupTables, refuse_negative
from ..session_answers import QUESTIONS
from ..session_shares import share_figures
from .pooling import Pooled


@dataclass(frozen=True)
class _Told:
    """What figures of complications need to know of the question."""

    fields: tuple[GroupField, ...]
    floor: int
    per: str = SESSION
    measures: tuple[ComplicationMeasure, ...] = tuple(
        ComplicationMeasure(kind, severity) for kind in KINDS for severity in SEVERITIES
    )
    classes: tuple[str, ...] = tuple(dict.fromkeys(class_of(kind) for kind in KINDS))


def pooled_figures(
    pooled: Pooled, *, at_days: Sequence[int] = DEFAULT_AT_DAYS, level: float = 0.95
) -> tuple[Figure, ...]:
    """Every figure that the counts give: next session, its causes, complications, graft survival.

    Estimators, limits, assumptions: those of `time_to_next_session` (here and anywhere), `next_session_causes` (death,
    then reason), `complications`, `complication_incidence` and `graft_survival`, on the summed counts. Where every site
    shares exact days and leaves nothing out, the figures are those of the pooled records. Where days are months, the
    time to the next session comes out a little low (`too_low_by`); the other figures stay exact.
    Misleads as they do, and where sites differ in who is recorded or followed: a pooled figure is their mixture.
    Between sites: small numbers and another case-mix, not a verdict.
    at_days: days since the session. Returns figures in that order.
    Raises: CountsError where counts contradict themselves; GraftledgerError for a negative day.
    """
    refuse_negative(at_days)
    if pooled.in_months and any(day != months(round(day * 1200 / 36525)) for day in at_days):
        raise GraftledgerError("The days of these counts are in months: ask for whole months or years, such as 18m.")
    return tuple(_all_figures(pooled, at_days, level))


def too_low_by(pooled: Pooled, at_days: Sequence[int] = DEFAULT_AT_DAYS) -> float:
    """By how much a share with a next session here may at most be too low, since days are months.

    Within a month nobody knows who left first. The share shown lets events come first; if they came last, and whoever
    entered in the month came after them, it would be this much higher in the group and at the day where that tells
    most. Only days are taken at which the figure is not greyed out. 0 where days are exact.
    """
    if not pooled.in_months:
        return 0.0
    floor = pooled.settings.floor_at_risk
    tables = [_of_any_reason(tables).risk["here"] for tables in pooled.by_cause.values()]
    return max((in_doubt(table, at_days, floor) for table in tables), default=0.0)


def in_doubt(table: pl.DataFrame, at_days: Sequence[int], floor: int) -> float:
    """The same of one risk table in months. floor: a day up to which fewer were ever at risk is left out."""
    day, at_risk, entered, events, censored = (table.get_column(name).to_numpy() for name in table.columns)
    unsure = censored + np.concatenate([np.zeros(1, dtype=np.int64), entered])[:-1]
    first = np.cumprod(1.0 - events / np.maximum(at_risk, 1))
    last = np.cumprod(1.0 - events / np.maximum(np.maximum(at_risk - unsure, events), 1))
    widest = 0.0
    for row in (int(np.searchsorted(day, at, side="right")) - 1 for at in at_days):
        if 0 <= row < len(day) - 1 and at_risk[: row + 2].min() >= floor:
            widest = max(widest, float(first[row] - last[row]))
    return widest


def _all_figures(pooled: Pooled, at_days: Sequence[int], level: float) -> Iterator[Figure]:
    floor, share_floor = pooled.settings.floor_at_risk, pooled.settings.floor_denominator
    here = {group: _of_any_reason(tables) for group, tables in pooled.by_cause.items()}
    yield from _curves(pooled, HERE, here, at_days, level)
    yield from _curves(pooled, ANYWHERE, pooled.anywhere, at_days, level)
    for causes in ((NEXT_SESSION_WITH_DEATH,), NEXT_SESSION_CAUSES):
        for group, tables in _in_order(pooled, pooled.by_cause):
            if causes == (NEXT_SESSION_WITH_DEATH,):
                tables = _with_death(tables)
            yield from cause_figures(causes, tables, _named(pooled, group), floor, at_days, level)
    for question in QUESTIONS:
        counted = pooled.after.get((question.measure.name, question.at), {})
        yield from share_figures(counted, pooled.fields, EVERYBODY, level, share_floor, **question.names)
    counts = [pooled.windows.get(window.name, WindowCounts({}, {})) for window in DEFAULT_WINDOWS]
    yield from incidence_figures(_Told(pooled.fields, share_floor), DEFAULT_WINDOWS, counts, EVERYBODY, level)
    yield from survival_figures(pooled.grafts, pooled.fields, by_hairs=False, floor=share_floor, level=level)


def _curves(
    pooled: Pooled, estimand: Estimand, groups: Mapping[Group, GroupTables], at_days: Sequence[int], level: float
) -> Iterator[Figure]:
    for group, tables in _in_order(pooled, groups):
        floor = pooled.settings.floor_at_risk
        subject = Subject(estimand.measure, estimand.method, floor, _named(pooled, group), tables, level, tables.n)
        yield from event_figures(subject, curve_of(tables, estimand), at_days)


def _in_order(pooled: Pooled, groups: Mapping[Group, GroupTables]) -> Iterator[tuple[Group, GroupTables]]:
    for group in all_groups(pooled.fields, groups):
        yield group, groups.get(group, GroupTables({}, {}))


def _named(pooled: Pooled, group: Group) -> dict[str, str]:
    return dict(zip((field.name for field in pooled.fields), group, strict=True))


def _of_any_reason(tables: GroupTables) -> GroupTables:
    """Sessions of any reason as one event; death ends the wait unseen."""
    sessions = [f"events_{cause.name}" for cause in NEXT_SESSION_CAUSES]
    return _folded(
        tables,
        pl.sum_horizontal(sessions).alias("events"),
        pl.sum_horizontal("censored", f"events_{DEATH}").alias("censored"),
    )


def _with_death(tables: GroupTables) -> GroupTables:
    """Sessions of any reason as one event, and death."""
    sessions = [f"events_{cause.name}" for cause in NEXT_SESSION_CAUSES]
    return _folded(
        tables,
        pl.sum_horizontal(sessions).alias(f"events_{NEXT_SESSION_WITH_DEATH.name}"),
        pl.col(f"events_{DEATH}"),
        pl.col("censored"),
    )


def _folded(tables: GroupTables, *columns: pl.Expr) -> GroupTables:
    risk = {ending: table.select("day", "at_risk", "entered", *columns) for ending, table in tables.risk.items()}
    return GroupTables(risk, tables.counted)
