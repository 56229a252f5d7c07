"""Log-normal, Weibull and log-logistic durations fitted to interval-censored counts, to be compared by AIC."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import polars as pl

from pipelines.estimators.errors import CountsError
from pipelines.estimators.intervals import NOT_ENDED, Intervals, checked_intervals
from pipelines.estimators.limits import Floats, normal_quantile
from pipelines.estimators.proportion import Interval

Distribution = Literal["log_normal", "weibull", "log_logistic"]
DISTRIBUTIONS: tuple[Distribution, ...] = ("log_normal", "weibull", "log_logistic")
# Relative step of the numerical Hessian; the score it is taken from is exact.
STEP = 1e-5


@dataclass(frozen=True)
class ParametricFit:
    """A law of the duration T: (log T - location) / scale has the standard law of the distribution.

    location: of log days. scale: above 0. log_likelihood: of all counted; it includes no density, only shares of
    intervals. aic: 4 - 2 log_likelihood; lower fits better. covariance: 2 x 2, of location and log scale.
    """

    distribution: Distribution
    location: float
    scale: float
    log_likelihood: float
    aic: float
    covariance: tuple[tuple[float, float], tuple[float, float]]


def parametric_fits(table: pl.DataFrame) -> tuple[ParametricFit, ...]:
    """All three laws fitted by maximum likelihood, the lowest AIC first.

    Estimator: maximum likelihood for (left, right] with counts; covariance from the observed information.
    Assumes: as `turnbull`; independent sessions (those of one patient count as independent, so limits are a little
    narrow where many have several); and that everybody is rid of it in the end. Misleads where some have it for
    good: each of these laws forces the tail to 0, and then compares badly with `turnbull` at late days. A small
    difference of AIC (under about 2: common practice, no source) decides nothing; the best of three may still fit
    badly, so lay it over the Turnbull curve. Never read it past the last look.
    table: as `turnbull`.
    Returns three fits. Raises: CountsError, as `checked_intervals`, and where the intervals do not hold a law down
    (nobody seen to end, or all ends in one and the same stretch of days).
    Source: Kalbfleisch & Prentice 2002, The Statistical Analysis of Failure Time Data, 2nd ed., sections 2.2 and 3.2;
    Akaike 1974, IEEE Trans Automat Contr 19:716-723.
    """
    intervals = checked_intervals(table)
    fits = [_fitted(intervals, distribution) for distribution in DISTRIBUTIONS]
    return tuple(sorted(fits, key=lambda fit: fit.aic))


def parametric_presence(fit: ParametricFit, at_days: Sequence[int], level: float = 0.95) -> list[Interval]:
    """Share in whom it is still present at days (above 0), with limits by the delta method.

    The limits are symmetric for the standardised log day, so they stay within 0-1. They say how well this law is
    known, not whether it is the right one.
    Raises: ValueError, for level or a day below 1.
    """
    if any(day < 1 for day in at_days):
        raise ValueError("a fitted law is read from day 1 on")
    quantile, (law, (from_location, from_scale)) = normal_quantile(level), (_LAWS[fit.distribution], fit.covariance)
    read = []
    for day in at_days:
        z = (np.log(day) - fit.location) / fit.scale
        # z falls by 1 / scale with the location and by z with the log scale
        slope = np.array([-1.0 / fit.scale, -z])
        half = quantile * float(np.sqrt(slope @ np.array([from_location, from_scale]) @ slope))
        share, lower, upper = np.exp(law.log_share(np.array([z, z + half, z - half]))).tolist()
        read.append(Interval(share, lower, upper))
    return read


@dataclass(frozen=True)
class _Law:
    """Of a standardised log duration: log of the share above z, log density, log share between two z."""

    log_share: Callable[[Floats], Floats]
    log_density: Callable[[Floats], Floats]
    log_between: Callable[[Floats, Floats], Floats]


def _normal_share(z: Floats) -> Floats:
    from scipy.special import log_ndtr

    return np.asarray(log_ndtr(-z))


def _logistic_share(z: Floats) -> Floats:
    return -np.logaddexp(0.0, z)


def _weibull_share(z: Floats) -> Floats:
    return -np.exp(np.minimum(z, 700.0))  # beyond it the share is 0 and the power has no number


def _weibull_between(low: Floats, high: Floats) -> Floats:
    """log(exp(-e^low) - exp(-e^high)), exact also where both are close to 1."""
    return np.asarray(-np.exp(low) + np.log(-np.expm1(np.exp(low) - np.exp(high))))


def _symmetric(log_share: Callable[[Floats], Floats]) -> Callable[[Floats, Floats], Floats]:
    """log(S(low) - S(high)) of a symmetric law, taken in the nearer tail so that no digits are lost."""

    def between(low: Floats, high: Floats) -> Floats:
        flipped = low + high < 0.0
        near, far = np.where(flipped, -high, low), np.where(flipped, -low, high)
        top = log_share(near)
        return np.asarray(top + np.log(-np.expm1(log_share(far) - top)))

    return between


_LAWS: Mapping[Distribution, _Law] = {
    "log_normal": _Law(_normal_share, lambda z: -0.5 * z**2 - 0.5 * np.log(2.0 * np.pi), _symmetric(_normal_share)),
    "weibull": _Law(_weibull_share, lambda z: z - np.exp(z), _weibull_between),
    "log_logistic": _Law(_logistic_share, lambda z: z - 2.0 * np.logaddexp(0.0, z), _symmetric(_logistic_share)),
}


def _fitted(intervals: Intervals, distribution: Distribution) -> ParametricFit:
    """Maximum of the likelihood: BFGS to the neighbourhood, then Newton steps."""
    from scipy.optimize import minimize

    _check_held_down(intervals)
    law, total = _LAWS[distribution], intervals.total

    def value_and_score(parameters: Floats) -> tuple[float, Floats]:
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            value, score = _log_likelihood(intervals, law, parameters)
        if not (np.isfinite(value) and np.all(np.isfinite(score))):
            return np.inf, np.zeros(2)
        return -value / total, -score / total

    found = minimize(value_and_score, _start(intervals), jac=True, method="BFGS", options={"gtol": 1e-6})
    at = np.asarray(found.x, dtype=np.float64)
    for _ in range(5):
        bend = _bend(value_and_score, at)
        if not np.all(np.linalg.eigvalsh(bend) > 0.0):
            raise CountsError(f"these intervals do not hold a {distribution} law down")
        at = at - np.linalg.solve(bend, value_and_score(at)[1])
    covariance = np.linalg.inv(_bend(value_and_score, at) * total)
    log_likelihood = -value_and_score(at)[0] * total
    first, second = covariance.tolist()
    return ParametricFit(
        distribution,
        float(at[0]),
        float(np.exp(at[1])),
        log_likelihood,
        4.0 - 2.0 * log_likelihood,
        (tuple(first), tuple(second)),
    )


def _log_likelihood(intervals: Intervals, law: _Law, parameters: Floats) -> tuple[float, Floats]:
    """Log-likelihood and its slope along location and log scale."""
    location, scale = parameters[0], np.exp(parameters[1])
    begun, ended = intervals.left > 0, intervals.right < NOT_ENDED
    z_left = (np.log(np.where(begun, intervals.left, 1)) - location) / scale
    z_right = (np.log(np.where(ended, intervals.right, 1)) - location) / scale
    log_covered = np.empty(begun.size)
    both, only_left, only_right = begun & ended, begun & ~ended, ~begun & ended
    log_covered[both] = law.log_between(z_left[both], z_right[both])
    log_covered[only_left] = law.log_share(z_left[only_left])
    log_covered[only_right] = _log_one_minus(law.log_share(z_right[only_right]))
    log_covered[~begun & ~ended] = 0.0
    at_left = np.where(begun, np.exp(law.log_density(z_left) - log_covered), 0.0)
    at_right = np.where(ended, np.exp(law.log_density(z_right) - log_covered), 0.0)
    along_location = (at_left - at_right) / scale
    along_scale = at_left * z_left - at_right * z_right
    count = intervals.count
    return float(count @ log_covered), np.array([count @ along_location, count @ along_scale])


def _log_one_minus(log_share: Floats) -> Floats:
    """log(1 - S) from log S."""
    return np.asarray(np.log(-np.expm1(log_share)))


def _bend(value_and_score: Callable[[Floats], tuple[float, Floats]], at: Floats) -> Floats:
    """Second derivatives, from central differences of the slope."""
    rows = []
    for direction in np.eye(2) * STEP:
        rows.append((value_and_score(at + direction)[1] - value_and_score(at - direction)[1]) / (2.0 * STEP))
    bend = np.array(rows)
    return np.asarray((bend + bend.T) / 2.0)


def _start(intervals: Intervals) -> Floats:
    """Mean and log spread of log middles."""
    ended = intervals.right < NOT_ENDED
    middle = np.log(np.where(ended, (intervals.left + np.where(ended, intervals.right, 0)) / 2.0, intervals.left + 1.0))
    mean = np.average(middle, weights=intervals.count)
    spread = np.sqrt(np.average((middle - mean) ** 2, weights=intervals.count))
    return np.array([mean, np.log(max(spread, 0.1))])


def _check_held_down(intervals: Intervals) -> None:
    """Refuse intervals with a common day: a law that squeezes all of itself into it fits without end."""
    if not intervals.left.size or (intervals.right == NOT_ENDED).all():
        raise CountsError("nobody was seen to end: no law can be fitted")
    if intervals.left.max() < intervals.right.min():
        raise CountsError("all intervals share a day: no law can be fitted")
