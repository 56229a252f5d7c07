"""Funnel limits: how far from a target a surgeon's result may lie by chance alone, given how many cases it rests on."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import numpy.typing as npt

from pipelines.estimators.errors import CountsError
from pipelines.estimators.limits import Floats, checked_level
from pipelines.estimators.poisson_binomial import poisson_binomial

if TYPE_CHECKING:
    from pipelines.estimators.over_dispersion import OverDispersion

ALERT_LEVEL, PRIORITY_LEVEL = 0.95, 0.998
"""Limits of about two and three standard errors, as Spiegelhalter 2005 draws them."""

Side = Literal["high", "low"]
Rule = Literal["exact", "interpolated"]
Flag = Literal["", "alert", "priority_review"]
Limits = tuple[Floats, Floats]


@dataclass(frozen=True)
class Position:
    """Where one surgeon's result lies. value, target: a share, or a ratio with target 1.

    z: (value - target) over its standard error by chance, over-dispersion not taken off; above 0 where value is higher.
    p: one-sided, the chance of a result at least as far on the unfavourable side, over-dispersion taken off. Over all
    measures of a surgeon give these to `scipy.stats.false_discovery_control` (Benjamini & Hochberg); it needs no code
    of ours. widening: what limits were widened by, 1 for not at all. alert_limits, priority_limits: 95 % and 99.8 %.
    flag: `priority_review` beyond the 99.8 % limit on the unfavourable side, `alert` beyond the 95 % limit there, else
    empty. beyond_favourable: beyond the 95 % limit on the other side; no flag, maybe something to learn from.
    """

    value: float
    target: float
    z: float
    p: float
    widening: float
    alert_limits: tuple[float, float]
    priority_limits: tuple[float, float]
    flag: Flag
    beyond_favourable: bool


def share_limits(
    target: float,
    cases: Sequence[int] | npt.NDArray[np.int64],
    level: float,
    *,
    rule: Rule = "exact",
    widening: float | Floats = 1.0,
) -> Limits:
    """Lower and upper limit of a share around a target, for each number of cases; by the binomial law.

    Rule `exact`: a share is beyond the limit if the chance of one at least as far out is below (1 - level) / 2, so that
    chance never sends more surgeons beyond than stated; between whole counts chances are joined by straight lines.
    Rule `interpolated`: Spiegelhalter's, whose upper limit lies exactly one case lower; with few cases expected it can
    be passed by chance several times as often as stated (2 of 10 at a target of 2 % lies beyond its upper 99.8 % limit,
    at a chance of 1.6 %), so no surgeon is flagged by it here.
    widening: of the distance from the target, at least 1, one for all or one each (`over_dispersion.widening`).
    Assumes: cases independent, target known. Misleads where the target is the mean of few surgeons.
    target: above 0, below 1. cases: (k,) at least 1. level: above 0, below 1. Returns two (k,) columns within 0-1; a
    limit of 0 or 1 cannot be passed. Raises: CountsError for target, cases or widening; ValueError for level.
    Source: Spiegelhalter 2005, Stat Med 24:1185-1202, appendix; the exact rule: Manktelow & Seaton 2012, PLoS ONE
    7:e45723, first method.

    >>> lower, upper = share_limits(0.1, [100], 0.95)
    >>> round(float(lower[0]), 3), round(float(upper[0]), 3)
    (0.04, 0.168)
    """
    from scipy.stats import binom

    n = np.asarray(cases, dtype=float)
    if not 0.0 < target < 1.0:
        raise CountsError(
            "a target share lies between 0 and 1: where nobody or everybody has the event, nothing is told"
        )
    if not n.size or (n < 1).any():
        raise CountsError("limits of a share need at least one case each")
    lower, upper = _counts_beyond(binom(n, target), level, rule)
    return _widened(lower / n, upper / n, target, widening, most=1.0)


def ratio_limits(
    expected: Sequence[float] | Floats, level: float, *, rule: Rule = "exact", widening: float | Floats = 1.0
) -> Limits:
    """Lower and upper limit of observed over expected around 1, for each expected count; by the Poisson law.

    As `share_limits`. Misleads for outcomes that are not rare: limits are then too wide; take `ratio_limits_of_risks`,
    or, to draw a curve, `share_limits` of the mean risk over that risk.
    expected: (k,) above 0. Raises: CountsError for expected or widening; ValueError for level.

    >>> lower, upper = ratio_limits([10.0], 0.998)
    >>> round(float(lower[0]), 2), round(float(upper[0]), 2)
    (0.12, 2.17)
    """
    from scipy.stats import poisson

    mean = np.asarray(expected, dtype=float)
    if not mean.size or not np.isfinite(mean).all() or (mean <= 0.0).any():
        raise CountsError("limits of a ratio need an expected count above 0 each")
    lower, upper = _counts_beyond(poisson(mean), level, rule)
    return _widened(lower / mean, upper / mean, 1.0, widening, most=math.inf)


def ratio_limits_of_risks(
    risks: Sequence[float] | Floats, level: float, *, rule: Rule = "exact", widening: float = 1.0
) -> tuple[float, float]:
    """The same for one surgeon, by the law of the very cases (Poisson-binomial). risks: (n,) 0-1, not all 0 or 1.

    Raises: CountsError for risks or widening; ValueError for level.
    """
    law = _Table(poisson_binomial(risks))
    expected = float(np.sum(risks))
    if law.variance <= 0.0:
        raise CountsError("all risks are 0 or 1: nothing is left to chance")
    lower, upper = _counts_beyond(law, level, rule)
    most = len(law.chances[1:]) / expected
    low, high = _widened(np.asarray([lower / expected]), np.asarray([upper / expected]), 1.0, widening, most=most)
    return float(low[0]), float(high[0])


def position_of_share(
    events: int, cases: int, target: float, unfavourable: Side, dispersion: OverDispersion | None = None
) -> Position:
    """Where events of cases lie against a target share.

    unfavourable: the side on which a result is worse. Only that side is flagged, by the exact rule of `share_limits`.
    dispersion: of all surgeons, from `over_dispersion`; limits are then wider. Rule of thumb that a flag at 95 % is an
    alert and one at 99.8 % a priority review: common practice. One in 40 surgeons without any difference is alerted at
    each look, so a flag prompts review (data, case-mix, then care) and is no verdict; never sort surgeons by it.
    A measure that does not tell quality (a next session) must not be judged here at all.
    Raises: CountsError for counts outside 0 to cases, no case, or a target as in `share_limits`.

    >>> position_of_share(30, 100, 0.1, "high").flag, position_of_share(30, 100, 0.1, "low").flag
    ('priority_review', '')
    """
    from scipy.stats import binom

    if cases < 1 or not 0 <= events <= cases:
        raise CountsError(f"{events} of {cases}: expected a number from 0 to the cases, and at least one case")
    if not 0.0 < target < 1.0:
        raise CountsError(
            "a target share lies between 0 and 1: where nobody or everybody has the event, nothing is told"
        )
    return _position(events, binom(cases, target), cases, target, 1.0, unfavourable, dispersion)


def position_of_ratio(
    observed: int,
    expected: float,
    unfavourable: Side,
    dispersion: OverDispersion | None = None,
    *,
    risks: Sequence[float] | Floats | None = None,
) -> Position:
    """Where observed over expected lies against 1: by the Poisson law, or by that of the cases' own risks if given.

    As `position_of_share`. risks: (n,) of the very cases; expected must be their sum. Shares that are not rare need
    them, or limits are too wide.
    Raises: CountsError for a negative count, nothing expected, or risks that do not add up to expected.
    """
    from scipy.stats import poisson

    if observed < 0 or not (math.isfinite(expected) and expected > 0.0):
        raise CountsError("a ratio needs a count of at least 0 and an expected count above 0")
    if risks is None:
        return _position(observed, poisson(expected), expected, 1.0, math.inf, unfavourable, dispersion)
    law = _Table(poisson_binomial(risks))
    cases = len(law.chances) - 1
    if not math.isclose(float(np.sum(risks)), expected, rel_tol=1e-6) or observed > cases:
        raise CountsError("the risks do not add up to the expected count, or there are more events than cases")
    if law.variance <= 0.0:
        raise CountsError("all risks are 0 or 1: nothing is left to chance")
    return _position(observed, law, expected, 1.0, cases / expected, unfavourable, dispersion)


def _position(
    count: int, law: Any, size: float, target: float, most: float, unfavourable: Side, dispersion: OverDispersion | None
) -> Position:
    """size: what a count is divided by. law: of the count. most: the highest value there can be."""
    std_error = math.sqrt(float(law.var())) / size
    value = count / size
    wide = 1.0 if dispersion is None else dispersion.widening(std_error)

    def limits(level: float) -> tuple[float, float]:
        lower, upper = _counts_beyond(law, level, "exact")
        low, high = _widened(np.asarray([lower / size]), np.asarray([upper / size]), target, wide, most=most)
        return float(low[0]), float(high[0])

    alert, priority = limits(ALERT_LEVEL), limits(PRIORITY_LEVEL)
    slack = 1e-9 * max(1.0, target)
    worse = [
        bool(value > pair[1] + slack if unfavourable == "high" else value < pair[0] - slack)
        for pair in (alert, priority)
    ]
    better = value < alert[0] - slack if unfavourable == "high" else value > alert[1] + slack
    return Position(
        value=value,
        target=target,
        z=(value - target) / std_error,
        p=_tail((target + (value - target) / wide) * size, law, unfavourable),
        widening=wide,
        alert_limits=alert,
        priority_limits=priority,
        flag="priority_review" if worse[1] else "alert" if worse[0] else "",
        beyond_favourable=bool(better),
    )


def _counts_beyond(law: Any, level: float, rule: Rule) -> tuple[Any, Any]:
    """Counts, with fractions, at which the chance of one at least as far out is (1 - level) / 2, below and above."""
    tail = (1.0 - checked_level(level)) / 2.0
    low = law.ppf(tail)
    up_to, below = law.cdf(low), law.cdf(low - 1)
    lower = low - (up_to - tail) / (up_to - below)
    high = law.isf(tail)
    at_least, more = law.sf(high - 1), law.sf(high)
    upper = high + (at_least - tail) / (at_least - more)
    return lower, upper - (1.0 if rule == "interpolated" else 0.0)


def _tail(count: float, law: Any, side: Side) -> float:
    """Chance of at least (high) or at most (low) so many; between whole counts on a straight line."""
    below = math.floor(count)
    part = count - below
    if side == "high":
        return float((1.0 - part) * law.sf(below - 1) + part * law.sf(below))
    return float((1.0 - part) * law.cdf(below) + part * law.cdf(below + 1))


def _widened(lower: Floats, upper: Floats, target: float, widening: float | Floats, *, most: float) -> Limits:
    wide = np.asarray(widening, dtype=float)
    if not np.isfinite(wide).all() or (wide < 1.0).any():
        raise CountsError("limits are widened by a factor of at least 1")
    return (
        np.clip(target + wide * (lower - target), 0.0, most),
        np.clip(target + wide * (upper - target), 0.0, most),
    )


class _Table:
    """A law of counts given by its chances, with the functions of scipy's laws that are needed here."""

    def __init__(self, chances: Floats) -> None:
        self.chances = chances
        # sums from either end: 1 less a sum near 1 would lose the small chances
        self._up_to = np.cumsum(chances)
        self._at_least = np.cumsum(chances[::-1])[::-1]
        counts = np.arange(len(chances))
        mean = float(counts @ chances)
        self.variance = float((counts - mean) ** 2 @ chances)

    def var(self) -> float:
        return self.variance

    def cdf(self, count: float) -> float:
        return 0.0 if count < 0 else float(self._up_to[min(int(count), len(self.chances) - 1)])

    def sf(self, count: float) -> float:
        above = int(count) + 1
        return 1.0 if above <= 0 else 0.0 if above >= len(self.chances) else float(self._at_least[above])

    def ppf(self, tail: float) -> int:
        return int(np.searchsorted(self._up_to, tail))

    def isf(self, tail: float) -> int:
        return int((self._at_least[1:] > tail).sum())
