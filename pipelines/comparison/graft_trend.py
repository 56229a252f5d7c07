"""A surgeon's grafts that did not grow, in the order of sessions: described, without an alarm."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl

from ..estimators.count_surveillance import counts_expected_minus_observed, counts_moving_average
from ..estimators.surveillance import ExpectedMinusObserved, MovingAverage
from .case_mix import CaseMixModel
from .compare import LEAST_POOLED
from .grafts import spread_between_patients
from .sessions import counted, within


@dataclass(frozen=True, eq=False)
class GraftTrend:
    """days: (n,) of surgery, ascending. difference, average: of grafts that did not grow. spread: how many times the
    binomial variance patients of all surgeons together spread, at least 1."""

    surgeon: str
    days: tuple[date, ...]
    difference: ExpectedMinusObserved
    average: MovingAverage
    spread: float


def graft_trend(
    table: pl.DataFrame, model: CaseMixModel, surgeon: str, first_on: date, last_on: date, *, floor: int
) -> GraftTrend | None:
    """Observed less expected grafts and their weighted average, by session; None where nothing can be drawn.

    Limits: normal, binomial variance of each session times the spread between patients of all surgeons in these years
    (quasi-binomial). Assumes: patients independent, one spread for all, model right; the error of expected counts is
    left out. They hold at one session named beforehand; no alarm is made of them. Counts come months after
    surgery and stand at its day: late sessions are missing.
    There is no cumulative sum with a limit: the quasi-binomial has no law to simulate one from; counts above what was
    placed have no likelihood in a beta-binomial, and it fits badly where a few patients fail altogether, who are the
    very ones at whom a sum would alarm.
    """
    rows = counted(within(table, first_on, last_on))
    own = rows.filter(pl.col("surgeon_code") == surgeon)
    risks = None if own.is_empty() else model.expected(own, surgeon)
    if risks is None or model.others(surgeon, floor) < LEAST_POOLED or not ((risks > 0) & (risks < 1)).all():
        return None
    parts = [(part, model.expected(part, code)) for (code,), part in rows.group_by("surgeon_code", maintain_order=True)]
    spread = spread_between_patients((part, shares) for part, shares in parts if shares is not None)
    observed, size = (np.asarray(own[name].to_numpy(), dtype=float) for name in ("observed", "weight"))
    variance = spread * size * risks * (1 - risks)
    return GraftTrend(
        surgeon,
        tuple(own["performed_on"].to_list()),
        counts_expected_minus_observed(observed, size * risks, variance),
        counts_moving_average(observed, size, size * risks, variance),
        spread,
    )
