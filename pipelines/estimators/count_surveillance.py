"""Counts case by case over time where chance spreads more widely than a binomial: grafts of one patient are alike."""

import numpy as np

from pipelines.estimators.errors import CountsError
from pipelines.estimators.limits import Floats, normal_quantile
from pipelines.estimators.surveillance import MOVING_WEIGHT, ExpectedMinusObserved, MovingAverage


def counts_expected_minus_observed(
    observed: Floats, expected: Floats, variance: Floats, level: float = 0.95
) -> ExpectedMinusObserved:
    """Expected less observed counts, case by case, with limits around 0 of the normal law.

    As `surveillance.expected_minus_observed`, which has the exact law of single events: pointwise, so that a path that
    is looked at again and again leaves them sooner or later.
    Assumes: cases independent, expected counts known, variances right, and enough cases for their sum to be normal:
    with fewer than about 20, or a few very large cases, limits are left more often than stated.
    observed, expected, variance: (n,) counts, of which observed may lie below 0 (more grew than were placed); variance
    by chance, at least 0, wider than binomial by whatever was found. level: above 0, below 1.
    Raises: CountsError for other shapes or numbers; ValueError for level.
    Source: Lovegrove et al. 1997, Lancet 350:1128-1130; spread as a factor: Wedderburn 1974, Biometrika 61:439-447.

    >>> path = counts_expected_minus_observed(np.array([3.0, 5.0]), np.array([4.0, 4.0]), np.array([9.0, 7.0]))
    >>> path.values.tolist(), [round(float(edge), 1) for edge in path.upper]
    ([1.0, 0.0], [5.9, 7.8])
    """
    observed, expected, variance = _columns(observed, expected, variance)
    reach = normal_quantile(level) * np.sqrt(np.cumsum(variance))
    return ExpectedMinusObserved(np.cumsum(expected - observed), -reach, reach, level)


def counts_moving_average(
    observed: Floats,
    size: Floats,
    expected: Floats,
    variance: Floats,
    weight: float = MOVING_WEIGHT,
    level: float = 0.998,
) -> MovingAverage:
    """Exponentially weighted shares of observed and expected counts, each the average count over the average size.

    A case counts by its size, so that one of few grafts moves little. All averages start at the means of the cases.
    Limits: expected +- normal quantile x the standard deviation by chance, kept within 0-1; pointwise. Assumes and
    misleads as `counts_expected_minus_observed`; only the last 2 / weight cases or so carry the average, and where
    counts are lopsided its upper limit is passed too often.
    size: (n,) above 0, of which the counts are. weight: above 0, at most 1. level: above 0, below 1.
    Raises: CountsError for other shapes or numbers; ValueError for weight or level.
    Source: Roberts 1959, Technometrics 1:239-250.

    >>> path = counts_moving_average(*(np.array(c) for c in ([10.0, 0.0], [10.0, 10.0], [2.0, 2.0], [1.0, 1.0])), 0.5)
    >>> [round(float(share), 2) for share in path.observed]
    [0.6, 0.3]
    """
    from scipy.signal import lfilter

    if not 0.0 < weight <= 1.0:
        raise ValueError(f"weight {weight}: expected a share above 0, at most 1")
    observed, expected, variance, size = _columns(observed, expected, variance, size)
    if (size <= 0).any():
        raise CountsError("the size of each case is above 0")
    kept = 1.0 - weight

    def average(column: Floats, share: float, keep: float, start: float) -> Floats:
        return np.asarray(lfilter([share], [1.0, -keep], column, zi=[keep * start])[0], dtype=float)

    sizes = average(size, weight, kept, float(size.mean()))
    seen, due = (average(column, weight, kept, float(expected.mean())) / sizes for column in (observed, expected))
    reach = normal_quantile(level) * np.sqrt(average(variance, weight**2, kept**2, 0.0)) / sizes
    return MovingAverage(seen, due, np.clip(due - reach, 0.0, 1.0), np.clip(due + reach, 0.0, 1.0), weight, level)


def _columns(*columns: Floats) -> tuple[Floats, ...]:
    found = tuple(np.asarray(column, dtype=float) for column in columns)
    first = found[0]
    if first.ndim != 1 or not len(first) or any(column.shape != first.shape for column in found):
        raise CountsError("counts are columns of the same length, of at least one case")
    if not all(np.isfinite(column).all() for column in found) or min(column.min() for column in found[1:]) < 0.0:
        raise CountsError("expected counts, variances and sizes are at least 0, none missing")
    return found
