"""How often a CUSUM raises an alarm by chance alone: limits, run lengths, and the false alarms of many charts."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipelines.estimators.errors import CountsError
from pipelines.estimators.limits import Floats
from pipelines.estimators.poisson_binomial import checked_risks
from pipelines.estimators.surveillance import cusum_weights, poisson_cusum_weights

_BLOCK = 500
"""Cases simulated, or weights worked through, at a time, so that memory stays small."""
_HORIZON = 6
"""Run lengths after which a simulated chart is broken off: about one in 400 has no alarm until then."""

Draw = Callable[[np.random.Generator, int, int], Floats]
"""Weights in control: (cases, charts)."""


@dataclass(frozen=True)
class CusumLimit:
    """limit: at which an alarm is raised. run_length: cases to a false alarm, on average, as simulated with this limit;
    std_error: of it by the simulation. runs: simulated charts. seed: of the random numbers."""

    limit: float
    run_length: float
    std_error: float
    runs: int
    seed: int


@dataclass(frozen=True)
class FalseAlarmBudget:
    """Alarms that come by chance though nobody's results are worse than expected.

    expected: over all charts and the whole time. chance_of_any: 0-1. charts: surgeons x measures. cases: over all.
    """

    expected: float
    chance_of_any: float
    charts: int
    cases: int
    run_length: float


def simulated_limit(
    risks: Sequence[float] | Floats, run_length: float, odds_ratio: float = 2.0, *, runs: int = 2000, seed: int = 1
) -> CusumLimit:
    """The CUSUM limit at which a false alarm comes once in run_length cases on average, by simulation.

    Draws cases with replacement from these risks, events by chance at these risks, and finds the lowest limit that
    every mean first passage so simulated leaves at run_length or above. Accuracy of the run length: about
    run_length / sqrt(runs), 2 % for 2000 charts.
    Assumes: future patients are like these; risks are right. A model whose odds are a fifth too low makes nearly three
    times as many alarms (at a mean risk of 10 %, one in 1000): judge its calibration first.
    risks: (n,) 0-1, of the reference period. run_length: cases, at least 10. odds_ratio: as `cusum_weights`.
    Raises: CountsError for risks, or risks that are all 0 or 1; ValueError for run_length, runs or odds_ratio.
    Source: Steiner et al. 2000, Biostatistics 1:441-452.

    >>> found = simulated_limit([0.1, 0.2], 100.0, runs=200)
    >>> 1.0 < found.limit < 3.0
    True
    """
    risk = checked_risks(risks)
    if not ((risk > 0.0) & (risk < 1.0)).any():
        raise CountsError("all risks are 0 or 1: nothing is left to chance")
    # both weights of each case once, so that a draw is a look-up
    with_event, without = (cusum_weights(np.full(len(risk), y), risk, odds_ratio) for y in (1, 0))

    def draw(random: np.random.Generator, cases: int, charts: int) -> Floats:
        place = random.integers(len(risk), size=(cases, charts))
        return np.where(random.random((cases, charts)) < risk[place], with_event[place], without[place])

    return _limit(draw, run_length, runs, seed)


def simulated_poisson_limit(
    expected: Sequence[float] | Floats, run_length: float, rate_ratio: float = 2.0, *, runs: int = 2000, seed: int = 1
) -> CusumLimit:
    """The same for counts a period; run_length is in periods. expected: (n,) counts, at least 0, not all 0.

    Raises: CountsError for expected; ValueError for run_length, runs or rate_ratio.
    """
    size = np.asarray(expected, dtype=float)
    poisson_cusum_weights(np.zeros(len(size), dtype=np.int64), size, rate_ratio)  # refuses what it cannot weigh
    if not size.any():
        raise CountsError("nothing is expected in any period: nothing is left to chance")

    def draw(random: np.random.Generator, periods: int, charts: int) -> Floats:
        mean = size[random.integers(len(size), size=(periods, charts))]
        return np.asarray(random.poisson(mean) * math.log(rate_ratio) - (rate_ratio - 1.0) * mean, dtype=float)

    return _limit(draw, run_length, runs, seed)


def markov_run_length(
    limit: float,
    risks: Sequence[float] | Floats,
    odds_ratio: float = 2.0,
    *,
    true_odds_ratio: float = 1.0,
    states: int = 400,
) -> float:
    """Mean number of cases to an alarm, by a Markov chain on a grid of values of the CUSUM.

    true_odds_ratio: 1 for as expected (the run length in control); otherwise the delay to an alarm when all odds are so
    multiplied from a sum of 0 on. A value between two states counts to both, the nearer the more. Accuracy: within
    about 1 % with 400 states. Assumes: as `simulated_limit`.
    limit: above 0. risks: (n,) 0-1. states: at least 10.
    Raises: CountsError for risks; ValueError for limit, states, or an odds ratio.
    Source: Brook & Evans 1972, Biometrika 59:539-549; sharing between states: Knoth, Wittenberg & Gan 2019, Stat Med
    38:2206-2218.

    By hand: at a risk of 0.5 an event weighs 0.29, so a limit of 0.5 takes two events running, which takes 6 cases.

    >>> round(markov_run_length(0.5, [0.5]), 6)
    6.0
    """
    if not 0.0 < limit < math.inf or states < 10 or not 0.0 < true_odds_ratio < math.inf:
        raise ValueError("a limit above 0, at least 10 states and a true odds ratio above 0 are expected")
    risk, often = np.unique(checked_risks(risks), return_counts=True)
    share = often / often.sum()
    true_risk = true_odds_ratio * risk / (1.0 + (true_odds_ratio - 1.0) * risk)
    weights = np.concatenate([cusum_weights(np.full(len(risk), y), risk, odds_ratio) for y in (1, 0)])
    chances = np.concatenate([share * true_risk, share * (1.0 - true_risk)])
    step = limit / states
    grid = np.arange(states + 1) * step
    moves = np.zeros((states + 1) ** 2)
    rows = np.arange(states + 1)[:, None] * (states + 1)
    for start in range(0, len(weights), _BLOCK):
        # the top state stands for values just below the limit
        after = np.maximum(grid[:, None] + weights[start : start + _BLOCK], 0.0)
        place = after / step
        below = np.minimum(place.astype(np.int64), states - 1)
        part = np.clip(place - below, 0.0, 1.0)
        stays = np.where(after < limit, chances[start : start + _BLOCK], 0.0)
        for cell, chance in ((below, stays * (1.0 - part)), (below + 1, stays * part)):
            moves += np.bincount((rows + cell).ravel(), chance.ravel(), minlength=len(moves))
    staying = np.eye(states + 1) - moves.reshape(states + 1, states + 1)
    lengths = np.linalg.solve(staying, np.ones(states + 1))
    return float(lengths[0])


def false_alarm_budget(cases: Sequence[int] | npt.NDArray[np.int64], run_length: float) -> FalseAlarmBudget:
    """False alarms to expect over all surgeons and measures, when every chart has this run length.

    cases: (charts,) cases of each surgeon and measure in the time looked at, at least 0. expected: sum of cases over
    run_length. chance_of_any: 1 - exp(-expected), charts taken as independent (measures of one surgeon are not quite;
    that leaves the expected number as it is). A little too high for short charts, which start at 0.
    To allow so many in all, ask for a run length of sum of cases / so many.
    Raises: CountsError for no chart or a negative count; ValueError for run_length.
    Source: Page 1954, Biometrika 41:100-115, has run lengths; the sum is by hand.

    >>> budget = false_alarm_budget([100, 200, 300], 2000)
    >>> budget.expected, round(budget.chance_of_any, 2)
    (0.3, 0.26)
    """
    count = np.asarray(cases, dtype=np.int64)
    if count.ndim != 1 or not len(count) or (count < 0).any():
        raise CountsError("the cases of at least one chart are needed, each a count of at least 0")
    _checked_run_length(run_length)
    total = int(count.sum())
    expected = total / run_length
    return FalseAlarmBudget(expected, -math.expm1(-expected), len(count), total, run_length)


def _checked_run_length(run_length: float) -> None:
    if not 10.0 <= run_length < math.inf:
        raise ValueError(f"run length {run_length}: expected at least 10 cases to a false alarm")


def _limit(draw: Draw, run_length: float, runs: int, seed: int) -> CusumLimit:
    """Simulate charts once, keep their records (new highest values), and read the limit off these."""
    _checked_run_length(run_length)
    if runs < 100:
        raise ValueError(f"runs {runs}: expected at least 100 simulated charts")
    horizon = math.ceil(_HORIZON * run_length / _BLOCK) * _BLOCK
    charts, times, heights = _records(draw, horizon, runs, seed)

    def lengths(limit: float) -> npt.NDArray[np.int64]:
        first = np.full(runs, horizon + 1)
        high = heights >= limit
        np.minimum.at(first, charts[high], times[high])
        return first

    def mean(found: npt.NDArray[np.int64]) -> float:
        """Cases over alarms: charts broken off count as cases without one, as for exponential times."""
        return float(np.minimum(found, horizon).sum()) / max(1, int((found <= horizon).sum()))

    # sums that are equal but for rounding are one candidate, and the limit lies a hair below it
    candidates = np.unique(np.round(heights, 8)) - 1e-8
    low, high = 0, len(candidates) - 1
    while low < high:
        middle = (low + high) // 2
        if mean(lengths(float(candidates[middle]))) >= run_length:
            high = middle
        else:
            low = middle + 1
    limit = float(candidates[low])
    found = lengths(limit)
    return CusumLimit(limit, mean(found), float(np.minimum(found, horizon).std()) / math.sqrt(runs), runs, seed)


def _records(
    draw: Draw, horizon: int, runs: int, seed: int
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], Floats]:
    """Chart, number of cases so far and height of each new highest value of each simulated CUSUM."""
    random = np.random.default_rng(seed)
    now, highest = np.zeros(runs), np.zeros(runs)
    found: list[tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], Floats]] = []
    for start in range(0, horizon, _BLOCK):
        total = now + np.cumsum(draw(random, _BLOCK, runs), axis=0)
        values = total - np.minimum(np.minimum.accumulate(total, axis=0), 0.0)
        before = np.maximum.accumulate(np.vstack([highest, values]), axis=0)
        case, chart = np.nonzero(values > before[:-1])
        found.append((chart, start + case + 1, values[case, chart]))
        now, highest = values[-1], before[-1]
    charts, times, heights = (np.concatenate(column) for column in zip(*found, strict=True))
    return charts, times, heights
