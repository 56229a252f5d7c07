"""Each surgeon's results in the order of sessions: is something drifting, and how often would chance say so?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cache

import numpy as np
import polars as pl

from ..estimators.errors import CountsError
from ..estimators.run_length import CusumLimit, FalseAlarmBudget, false_alarm_budget, markov_run_length, simulated_limit
from ..estimators.surveillance import (
    CusumPath,
    ExpectedMinusObserved,
    MovingAverage,
    cusum_path,
    cusum_weights,
    expected_minus_observed,
    moving_average,
)
from .case_mix import CaseMixModel, predicted
from .compare import LEAST_POOLED
from .measures import ComparedMeasure
from .sessions import counted, within

TREND_YEARS = 5
"""Years shown, up to the day asked for (common practice, no source)."""
RUN_LENGTH = 1_000
"""Sessions to a false alarm of one chart, on average, if all is as expected (own choice, no source)."""
ODDS_RATIO = 2.0
"""The chart looks for odds twice as high as expected, as Steiner et al. 2000 do."""
_RUNS = 1_000
_SEED = 20_260_103
_STATES = 200
_SPREAD = np.linspace(0.025, 0.975, 20)
"""Twenty shares stand for all of a surgeon's when the delay is told."""


@dataclass(frozen=True, eq=False)
class Trend:
    """One surgeon on one measure, session by session. days: (n,) of surgery, ascending. sessions: (n,) their keys.

    restarts: days before whose first session the sum was set back by a review that was closed. delay: sessions to an
    alarm, on average, if odds were twice as high from a sum of 0 on.
    """

    measure: ComparedMeasure
    surgeon: str
    days: tuple[date, ...]
    sessions: tuple[str, ...]
    path: CusumPath
    difference: ExpectedMinusObserved
    average: MovingAverage
    limit: CusumLimit
    delay: float
    restarts: tuple[date, ...] = ()

    @property
    def alarms(self) -> tuple[date, ...]:
        """Days of the sessions at which the limit was reached."""
        return tuple(self.days[place] for place in self.path.alarms)


def trend(
    table: pl.DataFrame,
    measure: ComparedMeasure,
    model: CaseMixModel,
    surgeon: str,
    first_on: date,
    last_on: date,
    *,
    floor: int,
    restarts: Sequence[date] = (),
) -> Trend | None:
    """The charts of one surgeon and measure, in the order of sessions; None where nothing can be drawn.

    Only a yes or no of each session is followed; grafts are not. Outcomes count at the day of surgery, though they are
    known only once the window has closed: the last sessions are missing, and an alarm comes later than it is dated.
    The limit is that of the reference period's sessions, so that it does not depend on the surgeon.
    restarts: days on which a review was closed; the sum starts at 0 again with the first session after each.
    Assumes: sessions independent, the model still right: a slow change in all of the practice, or in how findings are
    recorded, looks like a change of the surgeon. Alarms prompt a look and are no verdict.
    """
    if measure.model != "share":
        return None
    rows = counted(within(table, first_on, last_on)).filter(pl.col("surgeon_code") == surgeon)
    risks = None if rows.is_empty() else model.expected(rows, surgeon)
    limit = cusum_limit(table, model)
    if (
        risks is None
        or limit is None
        or model.others(surgeon, floor) < LEAST_POOLED
        or not ((risks > 0) & (risks < 1)).all()
    ):
        return None
    outcomes = rows["observed"].to_numpy().astype(int)
    days = rows["performed_on"].to_list()
    places = sorted({place for day in restarts if (place := _first_after(days, day)) is not None})
    return Trend(
        measure,
        surgeon,
        tuple(days),
        tuple(rows["session_key"].to_list()),
        cusum_path(cusum_weights(outcomes, risks, ODDS_RATIO), limit.limit, places),
        expected_minus_observed(outcomes, risks),
        moving_average(outcomes, risks),
        limit,
        _delay(limit.limit, tuple(np.round(np.quantile(risks, _SPREAD), 4).tolist())),
        tuple(day for day in sorted(restarts) if _first_after(days, day) is not None),
    )


def cusum_limit(table: pl.DataFrame, model: CaseMixModel) -> CusumLimit | None:
    """The limit at which a chart has the stated run length, for sessions as in the reference period.

    Simulated on at most 1,000 expected shares, evenly spread over those of the period. None where no share can be told.
    """
    if model.whole is None:
        return None
    rows = counted(within(table, model.reference_from, model.reference_to))
    if rows.is_empty():  # of a frozen model whose records are no longer shown
        rows = counted(table)
    if rows.is_empty():
        return None
    shares = predicted(model.whole, rows, model.factors)
    spread = np.quantile(shares, np.linspace(0, 1, min(len(rows), _RUNS)))
    return _limit(tuple(np.round(spread, 6).tolist()))


@cache
def _limit(shares: tuple[float, ...]) -> CusumLimit | None:
    try:
        return simulated_limit(shares, RUN_LENGTH, ODDS_RATIO, runs=_RUNS, seed=_SEED)
    except CountsError:
        return None


@cache
def _delay(limit: float, shares: tuple[float, ...]) -> float:
    return markov_run_length(limit, shares, ODDS_RATIO, true_odds_ratio=ODDS_RATIO, states=_STATES)


def alarm_budget(
    tables: Mapping[str, pl.DataFrame],
    measures: Mapping[str, ComparedMeasure],
    surgeons: Sequence[str],
    first_on: date,
    last_on: date,
) -> FalseAlarmBudget | None:
    """How many alarms chance alone brings over all surgeons and measures in a period; None without any session."""
    cases = [
        len(counted(within(tables[name], first_on, last_on)).filter(pl.col("surgeon_code") == surgeon))
        for name, measure in measures.items()
        if measure.model == "share"
        for surgeon in surgeons
    ]
    return false_alarm_budget(cases, float(RUN_LENGTH)) if any(cases) else None


def _first_after(days: Sequence[date], day: date) -> int | None:
    return next((place for place, own in enumerate(days) if own > day), None)
