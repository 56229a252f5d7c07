"""Is a statement supported by the records? By intervals and equivalence, never by the point estimate."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from typing import Any

from registry.store import Registry

from ..complications import complications
from ..duration_measures import DURATION_MEASURES
from ..estimators.limits import normal_quantile
from ..figure import Figure
from ..graft_survival import graft_survival
from ..groups import EVERYBODY, Chosen
from ..healing_durations import DurationTables, duration_figures, duration_tables
from ..measures import GRAFT_SURVIVAL, NEXT_SESSION_WITH_DEATH, PRESENT_MEASURES, WINDOW_MEASURES
from ..next_session import next_session_causes
from .share_in_range import share_in_range
from .statements import RANGES, Statement

LEVEL = 0.90
"""Two one-sided tests at 5 % are an interval of 90 %."""
POWER = 0.80


class Verdict(StrEnum):
    """What the records say of a statement."""

    SUPPORTED = "supported"
    NOT_SUPPORTED = "not supported"
    CANNOT_TELL = "cannot tell yet"


@dataclass(frozen=True)
class Judgement:
    """A statement, the figure it was held against, the verdict.

    cases_needed: where it cannot be told: how many cases, of the figure's kind, would let 80 of 100 such registries
    support the statement if it is true; None where nothing can be planned with.
    """

    statement: Statement
    figure: Figure
    verdict: Verdict
    cases_needed: int | None = None


def judge(statement: Statement, figure: Figure) -> Judgement:
    """Hold one statement against one figure.

    Rule: supported where the whole 90 % interval lies inside what the statement allows, not supported where it lies
    outside, else it cannot be told: two one-sided tests at 5 % each. So a false statement is called supported in at
    most about 5 of 100 registries, and a true one not supported likewise. With too few cases it cannot be told.
    Cases needed: as `cases_needed`, times the design effect that the figure's own interval shows (clusters, losses).
    Misleads: who was not assessed is not in the figure; of twenty statements one may be misjudged by chance.
    figure: a share with limits of level 0.90.
    Source: Schuirmann 1987, J Pharmacokinet Biopharm 15:657-680 (two one-sided tests).
    """
    if figure.estimate is None or figure.lower is None or figure.upper is None or "too_few" in figure.flags:
        return Judgement(statement, figure, Verdict.CANNOT_TELL, cases_needed(statement))
    if statement.low <= figure.lower and figure.upper <= statement.high:
        return Judgement(statement, figure, Verdict.SUPPORTED)
    if figure.upper < statement.low or figure.lower > statement.high:
        return Judgement(statement, figure, Verdict.NOT_SUPPORTED)
    return Judgement(statement, figure, Verdict.CANNOT_TELL, cases_needed(statement, _design_effect(figure)))


def cases_needed(statement: Statement, design_effect: float = 1.0) -> int | None:
    """Cases for 80 % power to support a statement, if the true share is its `if_true`.

    One limit L: ((z95 sqrt(L (1-L)) + z80 sqrt(p (1-p))) / (L - p))^2; two limits: p (1-p) (z95 + z90)^2 / m^2 with m
    the distance to the nearer one. Normal approximation: for shares near 0 or 1 rather a guide than a number.
    design_effect: 1 or more, how many times as many cases clusters and losses ask for.
    Returns None where the planned share stands at the limit itself, which no number of cases can show.
    Source: Fleiss, Levin & Paik 2003, Statistical Methods for Rates and Proportions, ch. 4 (one limit); Chow, Shao &
    Wang 2008, Sample Size Calculations in Clinical Research, ch. 4 (two limits, recalled).

    >>> cases_needed(Statement("a", "A", "infection", 0.0, 0.02, 0.01))
    987
    """
    z_error, z_power = normal_quantile(LEVEL), normal_quantile(2 * POWER - 1)
    p = statement.if_true
    limits = [limit for limit in (statement.low, statement.high) if 0.0 < limit < 1.0]
    if not limits or any(abs(limit - p) < 1e-12 for limit in limits):
        return None
    if len(limits) == 1:
        (limit,) = limits
        root = z_error * math.sqrt(limit * (1 - limit)) + z_power * math.sqrt(p * (1 - p))
        needed = (root / (limit - p)) ** 2
    else:
        z_both = normal_quantile(POWER)
        margin = min(abs(limit - p) for limit in limits)
        needed = p * (1 - p) * (z_error + z_both) ** 2 / margin**2
    return math.ceil(needed * max(design_effect, 1.0))


def _design_effect(figure: Figure) -> float:
    """How many times wider the variance is than that of so many independent cases; 1 where that cannot be read."""
    estimate, lower, upper = figure.estimate, figure.lower, figure.upper
    if estimate is None or lower is None or upper is None or not 0.0 < estimate < 1.0 or figure.n == 0:
        return 1.0
    variance = ((upper - lower) / (2 * normal_quantile(figure.level))) ** 2
    return variance * figure.n / (estimate * (1 - estimate))


def judge_all(
    registry: Registry,
    statements: Sequence[Statement],
    *,
    by: Sequence[str] = (),
    chosen: Chosen = EVERYBODY,
    as_of: date | None = None,
) -> tuple[Judgement, ...]:
    """Every statement, for every group, in their order.

    by: at most two fields, such as technique. Between surgeons a verdict on a statement is none on a person: numbers
    are small and patients differ.
    Raises: GraftledgerError for an unknown field or a time at which a measure is not told.
    """
    shared: dict[str, Any] = {"by": by, "chosen": chosen, "as_of": as_of}
    sources = {_source(statement): statement for statement in statements}
    seen: dict[Any, tuple[Figure, ...]] = {}
    with ThreadPoolExecutor(max_workers=1) as beside:
        # patients are drawn anew while the database works on what else is asked
        drawing = {
            source: beside.submit(duration_figures, _duration(registry, statement, shared), LEVEL)
            for source, statement in sources.items()
            if _is_duration(statement)
        }
        for source, statement in sources.items():
            if source == _COMPLICATIONS:
                asked = {statement.measure for statement in statements} & _TOGETHER
                seen[source] = complications(registry, **shared, level=LEVEL, measures=asked)
            elif not _is_duration(statement):
                seen[source] = _figures(registry, statement, shared)
        seen |= {source: drawn.result() for source, drawn in drawing.items()}
    found = []
    for statement in statements:
        wanted = [
            figure
            for figure in seen[_source(statement)]
            if figure.measure == statement.measure
            and (statement.at_days is None or figure.at is None or _at(statement, figure))
        ]
        found += [judge(statement, figure) for figure in wanted]
    return tuple(found)


def judge_over_years(
    registry: Registry, statements: Sequence[Statement], count: int, *, chosen: Chosen = EVERYBODY
) -> dict[date, tuple[Judgement, ...]]:
    """Every statement as it stood a year ago, two years ago and so on, the earliest first and today's last.

    Earlier days see today's records cut at that day, later corrections included; what was known then is shown by
    opening the registry as of an earlier intake. Where no verdict changes but the interval narrows, that is time at
    work; a changed verdict may also be chance, since each look has its own 5 %.
    count: years to look back, 0 or more. Returns nothing while no site has declared its records complete.
    """
    if registry.data_date is None:
        return {}
    days = [_years_before(registry.data_date, back) for back in range(count, -1, -1)]
    return {day: judge_all(registry, statements, chosen=chosen, as_of=day) for day in days}


def _years_before(day: date, years: int) -> date:
    try:
        return day.replace(year=day.year - years)
    except ValueError:  # 29 February
        return day.replace(year=day.year - years, day=28)


def _at(statement: Statement, figure: Figure) -> bool:
    """Whether a figure is of the statement's time; a milestone is told on its due day."""
    assert statement.at_days is not None
    assert figure.at is not None
    return abs(figure.at - statement.at_days) <= 7


_DURATIONS = {measure.name: measure.of for measure in DURATION_MEASURES}
_COMPLICATIONS = "complications"
_TOGETHER = frozenset({measure.name for measure in WINDOW_MEASURES} | {measure.name for measure in PRESENT_MEASURES})


def _source(statement: Statement) -> Any:
    """What is computed at once."""
    if statement.measure in _TOGETHER:
        return _COMPLICATIONS
    return (statement.measure, statement.at_days, statement.between)


def _figures(registry: Registry, statement: Statement, shared: Mapping[str, Any]) -> tuple[Figure, ...]:
    if statement.measure == GRAFT_SURVIVAL:
        return graft_survival(registry, **shared, level=LEVEL)
    if statement.measure in RANGES:
        assert statement.between is not None
        return share_in_range(registry, statement.measure, statement.between, **shared, level=LEVEL)
    assert statement.measure == NEXT_SESSION_WITH_DEATH.measure
    assert statement.at_days is not None
    return next_session_causes(registry, **shared, at_days=[statement.at_days], level=LEVEL)


def _is_duration(statement: Statement) -> bool:
    return statement.measure in _DURATIONS


def _duration(registry: Registry, statement: Statement, shared: Mapping[str, Any]) -> DurationTables:
    assert statement.at_days is not None
    return duration_tables(registry, of=_DURATIONS[statement.measure], **shared, at_days=[statement.at_days])
