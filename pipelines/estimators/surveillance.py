"""Results case by case over time, each case measured against its own expected risk.

The risk-adjusted CUSUM raises alarms; the chart of expected minus observed and the moving average show size and
direction. How often alarms come by chance: `run_length.py`.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipelines.estimators.errors import CountsError
from pipelines.estimators.limits import Floats, checked_level, normal_quantile
from pipelines.estimators.poisson_binomial import checked_risks

Outcomes = Sequence[int] | Sequence[bool] | npt.NDArray[np.int64] | npt.NDArray[np.bool_]

MOVING_WEIGHT = 0.05
"""Own choice, no source: the last 20 cases or so carry most of the average."""


@dataclass(frozen=True)
class CusumPath:
    """values: (n,) after each case, at least 0. alarms: places (from 0) at which the limit was reached; the sum starts
    at 0 again after each. restarts: places before which it was set to 0 by hand. limit: as given."""

    values: Floats
    limit: float
    alarms: tuple[int, ...]
    restarts: tuple[int, ...]


@dataclass(frozen=True)
class ExpectedMinusObserved:
    """values: (n,) sum of expected risks less events so far: rises by the risk of each case without the event, falls by
    1 - risk with it; above 0 is fewer events than expected. lower, upper: (n,) pointwise limits by chance."""

    values: Floats
    lower: Floats
    upper: Floats
    level: float


@dataclass(frozen=True)
class MovingAverage:
    """observed, expected: (n,) shares, recent cases weighing most. lower, upper: (n,) limits of observed by chance."""

    observed: Floats
    expected: Floats
    lower: Floats
    upper: Floats
    weight: float
    level: float


def cusum_weights(outcomes: Outcomes, risks: Sequence[float] | Floats, odds_ratio: float = 2.0) -> Floats:
    """Log-likelihood ratio of each case: odds multiplied by odds_ratio against odds as expected.

    With the event log(R / (1 - p + R p)), without it -log(1 - p + R p). R above 1 looks for worse, below 1 for better
    (where the event is bad).
    outcomes: (n,) 1 or 0. risks: (n,) 0-1, each from a model fitted without these cases. odds_ratio: above 0, not 1.
    Raises: CountsError for other shapes, outcomes or risks; ValueError for odds_ratio.
    Source: Steiner, Cook, Farewell & Treasure 2000, Biostatistics 1:441-452.

    >>> [round(float(weight), 3) for weight in cusum_weights([1, 0], [0.1, 0.1])]
    [0.598, -0.095]
    """
    outcome, risk = _cases(outcomes, risks)
    if not 0.0 < odds_ratio < math.inf or odds_ratio == 1.0:
        raise ValueError(f"odds ratio {odds_ratio}: expected a number above 0 other than 1, such as 2")
    return np.asarray(outcome * math.log(odds_ratio) - np.log1p((odds_ratio - 1.0) * risk), dtype=float)


def poisson_cusum_weights(
    events: Sequence[int] | npt.NDArray[np.int64], expected: Sequence[float] | Floats, rate_ratio: float = 2.0
) -> Floats:
    """The same for counts a period against expected counts: events log(R) - (R - 1) expected.

    events: (n,) at least 0. expected: (n,) at least 0. rate_ratio: above 0, not 1.
    Raises: CountsError for other shapes or counts; ValueError for rate_ratio.
    Source: Lucas 1985, Technometrics 27:129-144.

    >>> [round(float(weight), 3) for weight in poisson_cusum_weights([3, 0], [1.0, 1.0])]
    [1.079, -1.0]
    """
    count, size = np.asarray(events, dtype=float), np.asarray(expected, dtype=float)
    if count.ndim != 1 or not len(count) or count.shape != size.shape:
        raise CountsError("events and expected counts are columns of the same length, of at least one period")
    if not (np.isfinite(count).all() and np.isfinite(size).all()) or min(count.min(), size.min()) < 0.0:
        raise CountsError("events and expected counts are at least 0, none missing")
    if not 0.0 < rate_ratio < math.inf or rate_ratio == 1.0:
        raise ValueError(f"rate ratio {rate_ratio}: expected a number above 0 other than 1, such as 2")
    return np.asarray(count * math.log(rate_ratio) - (rate_ratio - 1.0) * size, dtype=float)


def cusum_path(weights: Sequence[float] | Floats, limit: float, restarts: Sequence[int] = ()) -> CusumPath:
    """The sum of weights that never falls below 0; reaching the limit is an alarm, after which it starts at 0 again.

    An alarm says that cases since about the last time at 0 fit worse odds better than the expected ones; it prompts
    review and is no verdict. By chance alone one comes about every run length for which the limit was set.
    weights: (n,). limit: above 0. restarts: places (from 0) of cases before which the sum is set to 0, such as the
    first after a review; so nothing is carried over, and the page can say when.
    Raises: CountsError for missing weights or a restart outside the cases; ValueError for limit.
    Source: Page 1954, Biometrika 41:100-115; Steiner et al. 2000.

    >>> path = cusum_path([1.0, -2.0, 1.0, 1.5, 1.0], limit=2.0)
    >>> path.values.tolist(), path.alarms
    ([1.0, 0.0, 1.0, 2.5, 1.0], (3,))
    """
    if not 0.0 < limit < math.inf:
        raise ValueError(f"limit {limit}: expected a number above 0")
    weight = np.asarray(weights, dtype=float)
    if weight.ndim != 1 or not np.isfinite(weight).all():
        raise CountsError("weights are a column of numbers, none missing")
    n = len(weight)
    if any(not 0 <= place < n for place in restarts):
        raise CountsError("a restart lies outside the cases")
    values, alarms, start = np.zeros(n), [], 0
    cuts = sorted({*restarts, n})
    while start < n:
        end = next(cut for cut in cuts if cut > start)
        stretch = _never_below_zero(weight[start:end])
        reached = np.flatnonzero(stretch >= limit)
        if len(reached):
            end = start + int(reached[0]) + 1
            alarms.append(end - 1)
        values[start:end] = stretch[: end - start]
        start = end
    return CusumPath(values, limit, tuple(alarms), tuple(sorted(set(restarts))))


def expected_minus_observed(
    outcomes: Outcomes, risks: Sequence[float] | Floats, level: float = 0.95
) -> ExpectedMinusObserved:
    """Expected less observed events, case by case: the chart known as variable life-adjusted display.

    It answers "how many events fewer or more than expected so far". Limits: by the law of the very cases so far
    (Poisson-binomial), counts joined by straight lines, no count flagged at a chance above (1 - level) / 2. They hold
    at one case named beforehand, not at every case along the way: a path that is looked at again and again leaves them
    sooner or later, so alarms come from `cusum_path` alone. An old good stretch hides a new bad one: look at slopes.
    outcomes: (n,) 1 or 0. risks: (n,) 0-1. level: above 0, below 1.
    Raises: CountsError for other shapes, outcomes or risks; ValueError for level.
    Source: Lovegrove, Valencia, Treasure, Sherlaw-Johnson & Gallivan 1997, Lancet 350:1128-1130.

    >>> path = expected_minus_observed([0, 0, 1], [0.2, 0.3, 0.1])
    >>> [round(float(value), 1) for value in path.values]
    [0.2, 0.5, -0.4]
    """
    outcome, risk = _cases(outcomes, risks)
    tail = (1.0 - checked_level(level)) / 2.0
    expected = np.cumsum(risk)
    fewest, most = np.zeros(len(risk)), np.zeros(len(risk))
    law = np.zeros(len(risk) + 1)
    law[0] = 1.0
    for place, chance in enumerate(risk):
        law[1 : place + 2] = law[1 : place + 2] * (1.0 - chance) + law[: place + 1] * chance
        law[0] *= 1.0 - chance
        fewest[place], most[place] = _ends(law[: place + 2], tail)
    return ExpectedMinusObserved(expected - np.cumsum(outcome), expected - most, expected - fewest, level)


def moving_average(
    outcomes: Outcomes, risks: Sequence[float] | Floats, weight: float = MOVING_WEIGHT, level: float = 0.998
) -> MovingAverage:
    """Exponentially weighted averages of observed and expected: the share of late beside what was expected of late.

    Each case counts `weight`, all before it together the rest; both averages start at the mean expected risk. Limits:
    expected +- normal quantile x the standard deviation of observed by chance, kept within 0-1. Pointwise, as in
    `expected_minus_observed`. Misleads for rare events: with fewer than about five expected in 1 / weight cases the
    upper limit is passed too often.
    outcomes: (n,) 1 or 0. risks: (n,) 0-1. weight: above 0, at most 1. level: above 0, below 1.
    Raises: CountsError for other shapes, outcomes or risks; ValueError for weight or level.
    Source: Roberts 1959, Technometrics 1:239-250; risk-adjusted: Cook, Coory & Webster 2011, BMJ Qual Saf 20:469-474.

    >>> [round(float(share), 3) for share in moving_average([1, 0], [0.2, 0.2], weight=0.5).observed]
    [0.6, 0.3]
    """
    from scipy.signal import lfilter

    outcome, risk = _cases(outcomes, risks)
    if not 0.0 < weight <= 1.0:
        raise ValueError(f"weight {weight}: expected a share above 0, at most 1")
    z = normal_quantile(level)
    kept = 1.0 - weight

    def average(column: Floats, share: float, keep: float, start: float) -> Floats:
        return np.asarray(lfilter([share], [1.0, -keep], column, zi=[keep * start])[0], dtype=float)

    start = float(risk.mean())
    observed, expected = (average(column, weight, kept, start) for column in (outcome, risk))
    reach = z * np.sqrt(average(risk * (1.0 - risk), weight**2, kept**2, 0.0))
    lower, upper = np.clip(expected - reach, 0.0, 1.0), np.clip(expected + reach, 0.0, 1.0)
    return MovingAverage(observed, expected, lower, upper, weight, level)


def _never_below_zero(weight: Floats) -> Floats:
    """Running sum with a floor at 0: the sum less its lowest point so far."""
    total = np.cumsum(weight)
    return np.asarray(total - np.minimum(np.minimum.accumulate(total), 0.0), dtype=float)


def _ends(law: Floats, tail: float) -> tuple[float, float]:
    """Lowest and highest count, with fractions, that chance stays within; as `funnel.share_limits` has them."""
    up_to, at_least = np.cumsum(law), np.cumsum(law[::-1])[::-1]
    low = int(np.searchsorted(up_to, tail))
    high = int((at_least > tail).sum()) - 1
    beyond = at_least[high + 1] if high + 1 < len(law) else 0.0
    lower = low - (up_to[low] - tail) / law[low]
    upper = high + (at_least[high] - tail) / (at_least[high] - beyond)
    return max(0.0, float(lower)), min(len(law) - 1.0, float(upper))


def _cases(outcomes: Outcomes, risks: Sequence[float] | Floats) -> tuple[Floats, Floats]:
    risk, outcome = checked_risks(risks), np.asarray(outcomes, dtype=float)
    if outcome.shape != risk.shape or not np.isin(outcome, (0.0, 1.0)).all():
        raise CountsError("outcomes are 1 or 0, one for each risk: leave out cases without, and say how many")
    return outcome, risk
