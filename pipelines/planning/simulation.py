"""Does a planned number of cases find what it should? Registries of that size drawn at random, and tested.

The cost of a run does not grow with patients where counts suffice. Every function takes the number of `runs` and a
`seed`, so that the same plan gives the same answer, and returns the share of runs in which the test speaks: the power
where the groups differ, the error of the first kind where they do not. Its own standard error is at most half of one
over the root of the runs.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from ..estimators.limits import normal_quantile

Floats = npt.NDArray[np.float64]

RUNS = 2000
_DRAWS = 20_000_000
"""Most numbers drawn for one plan, so that it takes seconds; runs become fewer for very large plans."""


def simulated_power_two_shares(
    cases: tuple[int, int],
    shares: tuple[float, float],
    *,
    sessions_a_patient: float = 1.0,
    design_effect: float = 1.0,
    level: float = 0.95,
    runs: int = RUNS,
    seed: int = 1,
) -> float:
    """Two groups of sessions, a patient's alike; the shares compared with an error between patients.

    Model: patients have `sessions_a_patient` sessions on average (the whole number below or above), all in one group;
    events are beta-binomial with the correlation that gives the design effect 1 + (mean size of the cluster that a
    session stands in - 1) x correlation. Test: difference of the shares over the linearised errors of both groups.
    cases: sessions in each group. shares: true shares, 0 to 1. design_effect: 1 or more.
    Raises: ValueError for sessions_a_patient or design_effect below 1.
    """
    if sessions_a_patient < 1.0 or design_effect < 1.0:
        raise ValueError("sessions a patient and the design effect are 1 or more")
    random = np.random.default_rng(seed)
    sizes = _cluster_sizes(sessions_a_patient)
    mean_size = sum(size * size * part for size, part in sizes) / sum(size * part for size, part in sizes)
    correlation = min((design_effect - 1.0) / (mean_size - 1.0), 0.99) if mean_size > 1.0 else 0.0
    groups = [
        _shares_and_errors(random, max(1, round(count / sessions_a_patient)), share, sizes, correlation, runs)
        for count, share in zip(cases, shares, strict=True)
    ]
    (first, first_variance), (second, second_variance) = groups
    return _share_significant(first - second, first_variance + second_variance, level)


def simulated_power_hazard_ratio(
    patients: tuple[int, int],
    event_by: float,
    ratio: float,
    *,
    lost_by: float = 0.0,
    level: float = 0.95,
    runs: int = RUNS,
    seed: int = 1,
) -> float:
    """Two groups of patients, followed to the same day; a log-rank test.

    Model: constant hazards; all are followed to day 1 (the unit is the planned follow-up), but for loss at a constant
    hazard that has nothing to do with the event.
    patients: of each group. event_by: share of the first group that has the event by the end, above 0, below 1.
    ratio: hazard of the second group over that of the first. lost_by: share lost by the end, 0 to below 1.
    """
    random = np.random.default_rng(seed)
    first_hazard, loss_hazard = -math.log1p(-event_by), -math.log1p(-lost_by)
    hazards = np.repeat([first_hazard, first_hazard * ratio], patients)
    second = np.repeat([0.0, 1.0], patients)
    found = 0
    runs = _affordable(runs, 2 * hazards.size)
    for _ in range(runs):
        event_at = random.exponential(1.0, hazards.size) / hazards
        end_at = np.minimum(random.exponential(1.0, hazards.size) / loss_hazard, 1.0) if loss_hazard else 1.0
        found += _log_rank_z(np.minimum(event_at, end_at), event_at <= end_at, second) > normal_quantile(level)
    return found / runs


def simulated_power_two_means(
    cases: tuple[int, int],
    means: tuple[float, float],
    sd: float,
    *,
    level: float = 0.95,
    runs: int = RUNS,
    seed: int = 1,
) -> float:
    """Two groups of patients, each with a yield from 0 to 1; Welch's test of the means.

    Model: yields follow a beta law with these means and this standard deviation (or the widest that a share can have,
    where that is less), so their skewness near 1 is in the answer.
    """
    from scipy import stats

    random = np.random.default_rng(seed)
    runs = _affordable(runs, sum(cases))
    sums = []
    for count, mean in zip(cases, means, strict=True):
        variance = min(sd * sd, 0.99 * mean * (1.0 - mean))
        size = mean * (1.0 - mean) / variance - 1.0
        yields = random.beta(mean * size, (1.0 - mean) * size, (runs, count))
        sums.append((yields.mean(axis=1), yields.var(axis=1, ddof=1) / count))
    (first, first_error), (second, second_error) = sums
    error = first_error + second_error
    freedom = error**2 / (first_error**2 / (cases[0] - 1) + second_error**2 / (cases[1] - 1))
    p = 2.0 * stats.t.sf(np.abs(first - second) / np.sqrt(error), freedom)
    return float(np.mean(p < 1.0 - level))


def _affordable(runs: int, draws_a_run: int) -> int:
    return max(200, min(runs, _DRAWS // max(draws_a_run, 1)))


def _cluster_sizes(mean: float) -> list[tuple[int, float]]:
    """Sizes of a patient's sessions with the part of patients that have them."""
    low = math.floor(mean)
    above = mean - low
    return [(low, 1.0 - above), (low + 1, above)] if above > 1e-9 else [(low, 1.0)]


def _shares_and_errors(
    random: np.random.Generator,
    patients: int,
    share: float,
    sizes: list[tuple[int, float]],
    correlation: float,
    runs: int,
) -> tuple[Floats, Floats]:
    """Share and variance between patients, of every run. Patients of a size are drawn as counts by their events."""
    y, x, yy, xy, xx = (np.zeros(runs) for _ in range(5))
    left = patients
    for position, (size, part) in enumerate(sizes):
        count = left if position == len(sizes) - 1 else round(patients * part)
        left -= count
        events = np.arange(size + 1)
        drawn = random.multinomial(count, _beta_binomial(size, share, correlation), runs).astype(float)
        y += drawn @ events
        yy += drawn @ (events * events)
        xy += size * (drawn @ events)
        x += size * count
        xx += size * size * count
    estimate = y / x
    spread = yy - 2.0 * estimate * xy + estimate**2 * xx
    return estimate, patients / max(patients - 1, 1) * spread / x**2


def _beta_binomial(size: int, share: float, correlation: float) -> Floats:
    from scipy import stats

    if correlation <= 0.0 or share in (0.0, 1.0):
        law: Callable[[npt.NDArray[np.int64]], Floats] = stats.binom(size, share).pmf
    else:
        total = 1.0 / correlation - 1.0
        law = stats.betabinom(size, share * total, (1.0 - share) * total).pmf
    chances = law(np.arange(size + 1))
    return np.asarray(chances / chances.sum())


def _share_significant(difference: Floats, variance: Floats, level: float) -> float:
    with np.errstate(divide="ignore", invalid="ignore"):
        z = np.abs(difference) / np.sqrt(variance)
    return float(np.mean(np.where(variance > 0.0, z > normal_quantile(level), difference != 0.0)))


def _log_rank_z(time: Floats, event: npt.NDArray[np.bool_], second: Floats) -> float:
    """Absolute standardised log-rank statistic; times have no ties."""
    order = np.argsort(time)
    event, second = event[order], second[order]
    at_risk = np.arange(time.size, 0, -1)
    part = np.cumsum(second[::-1])[::-1] / at_risk
    observed = second[event].sum()
    expected, variance = part[event].sum(), (part * (1.0 - part))[event].sum()
    return float(abs(observed - expected) / math.sqrt(variance)) if variance > 0.0 else 0.0
