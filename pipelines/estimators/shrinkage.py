"""Shrunken estimates: a surgeon's result drawn towards all surgeons', the more so the fewer cases it rests on."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from pipelines.estimators.beta_binomial import beta_binomial
from pipelines.estimators.counts import Ints
from pipelines.estimators.errors import CountsError
from pipelines.estimators.limits import Floats, checked_level, normal_quantile
from pipelines.estimators.proportion import beta_limits
from pipelines.estimators.standardised import poisson_limits

FEWEST_UNITS = 4
"""Below, nothing can be learnt from the others: the shrinkage factor of Morris 1983 has 3 fewer than the surgeons."""
TARGET_RELIABILITY = 0.7
"""Rule of thumb of the literature on profiling: common practice, such as Adams et al. 2010, N Engl J Med 362:1014."""
_LEAST_LOG, _MOST_LOG = -10.0, 16.0
"""Where the prior events of the gamma-Poisson are looked for, on the log scale and over the mean expected count."""


@dataclass(frozen=True)
class ShrunkenEstimate:
    """One surgeon. raw: own result. shrunken, lower, upper: drawn towards the mean, in the same unit.

    reliability: signal over signal plus noise, 0-1: the weight that the own result carries.
    """

    raw: float
    shrunken: float
    lower: float
    upper: float
    reliability: float


@dataclass(frozen=True)
class Shrinkage:
    """All surgeons in the order that came in. mean: what results are drawn towards. between: variance of true results.

    between 0: no more spread is seen than chance gives, and no surgeon can be told from another on this measure. All
    counts' shrunken estimates are then the mean with its own limits, which are too narrow for any one surgeon: say so.
    """

    mean: float
    between: float
    estimates: tuple[ShrunkenEstimate, ...]


def shrunken_means(
    values: Sequence[float] | Floats, std_errors: Sequence[float] | Floats, level: float = 0.95
) -> Shrinkage:
    """Normal results with known standard errors, drawn towards their common mean.

    Estimator: true values normal with variance A about a mean; A solves sum w (y - mean)**2 = k - 1, w = 1 / (V + A)
    (not below 0). Each value is drawn in by B = (k - 3) / (k - 1) V / (V + A), k surgeons; with one standard error for
    all that is the estimator of Efron and Morris. Limits: normal, with the variance of Morris 1983, which allows for
    mean and A being estimated. reliability: A / (A + V).
    Assumes: standard errors known, results about normal (take log odds or log ratios of counts, or the functions for
    counts below), surgeons alike before they are seen. Misleads: a single surgeon far off is drawn in too much, so a
    shrunken estimate must not be the reason to leave a flag aside; ranks of shrunken estimates are still ranks: none.
    values, std_errors: (k,) same unit, errors above 0, k at least 4. level: above 0, below 1.
    Raises: CountsError for fewer than four surgeons, other shapes, missing values; ValueError for level.
    Source: Efron & Morris 1975, JASA 70:311-319; Morris 1983, JASA 78:47-55 (section 5); Paule & Mandel 1982, J Res
    Natl Bur Stand 87:377-385 (the equation for A).

    >>> found = shrunken_means([1.0, 2.0, 3.0, 4.0, 10.0], [1.0] * 5)
    >>> found.mean, round(found.between, 1), round(found.estimates[4].shrunken, 1)
    (4.0, 11.5, 9.8)
    """
    z = normal_quantile(level)
    value, error = np.asarray(values, dtype=float), np.asarray(std_errors, dtype=float)
    if value.ndim != 1 or value.shape != error.shape:
        raise CountsError("values and standard errors are columns of the same length")
    if not (np.isfinite(value).all() and np.isfinite(error).all()) or (error <= 0.0).any():
        raise CountsError("each surgeon needs a value and a standard error above 0: leave out those without cases")
    k = len(value)
    _enough(k)
    noise = error**2
    between = _between(value, noise)
    weight = 1.0 / (noise + between)
    mean = float(weight @ value / weight.sum())
    drawn = (k - 3) / (k - 1) * noise * weight
    usual_noise = float(weight @ noise / weight.sum())
    unsure = 2.0 / (k - 3) * drawn**2 * (usual_noise + between) * weight
    variance = noise * (1.0 - (k - 1) / k * drawn) + unsure * (value - mean) ** 2
    shrunken = value - drawn * (value - mean)
    reach = z * np.sqrt(variance)
    return _shrinkage(mean, between, value, shrunken, shrunken - reach, shrunken + reach, between * weight)


def shrunken_ratios(
    observed: Sequence[int] | Ints, expected: Sequence[float] | Floats, level: float = 0.95
) -> Shrinkage:
    """Observed over expected counts, Poisson, drawn towards the ratio of all surgeons: the gamma-Poisson law.

    Estimator: true ratios gamma with mean m and prior events b (as many expected events' worth of evidence), both by
    maximum likelihood; shrunken (m b + observed) / (b + expected), limits its gamma's quantiles. reliability:
    expected / (expected + b). Assumes: as `standardised_ratio`; surgeons alike before they are seen. Limits take m and
    b for known, so with fewer than about 20 surgeons they are too narrow. Misleads as `shrunken_means`.
    observed: (k,) at least 0. expected: (k,) above 0. k at least 4. level: above 0, below 1.
    Raises: CountsError for fewer than four surgeons, other shapes or counts, or no event at all; ValueError for level.
    Source: Clayton & Kaldor 1987, Biometrics 43:671-681.

    >>> found = shrunken_ratios([2, 30, 8, 11, 25], [10, 10, 10, 10, 10])
    >>> round(found.mean, 2), round(found.between, 2), round(found.estimates[1].shrunken, 2)
    (1.52, 1.28, 2.84)
    """
    from scipy.special import gammaincinv

    tail = (1.0 - checked_level(level)) / 2.0
    count, size = np.asarray(observed, dtype=float), np.asarray(expected, dtype=float)
    if count.ndim != 1 or count.shape != size.shape:
        raise CountsError("observed and expected are columns of the same length")
    if not (np.isfinite(count).all() and np.isfinite(size).all()) or (count < 0).any() or (size <= 0.0).any():
        raise CountsError("observed counts are at least 0 and expected ones above 0")
    _enough(len(count))
    if not count.any():
        raise CountsError("no event at all: surgeons cannot be told apart")
    mean, prior = _gamma_prior(count, size)
    raw = count / size
    if math.isinf(prior):
        pooled = (limit / float(size.sum()) for limit in poisson_limits(int(count.sum()), level))
        return _all_alike(mean, raw, *pooled)
    shape, rate = mean * prior + count, prior + size
    lower, upper = (np.asarray(gammaincinv(shape, part) / rate, dtype=float) for part in (tail, 1.0 - tail))
    return _shrinkage(mean, mean / prior, raw, shape / rate, lower, upper, size / rate)


def shrunken_shares(events: Sequence[int] | Ints, cases: Sequence[int] | Ints, level: float = 0.95) -> Shrinkage:
    """Shares of cases with the event, binomial, drawn towards all surgeons' mean: the beta-binomial law.

    Estimator: true shares beta, fitted by `beta_binomial`; with M = (1 - rho) / rho prior cases the shrunken share is
    (mean M + events) / (M + cases), limits its beta's quantiles, reliability cases / (cases + M). Not adjusted for
    case-mix: for that shrink ratios. Assumes and misleads as `shrunken_ratios`.
    events: (k,) 0 to cases. cases: (k,) at least 1. k at least 4. level: above 0, below 1.
    Raises: CountsError for fewer than four surgeons, counts as `beta_binomial`, or where all cases or none have the
    event; ValueError for level.
    Source: Morris 1983, JASA 78:47-55; Skellam 1948, J R Stat Soc B 10:257-261 (the law).

    >>> found = shrunken_shares([9, 10, 5, 10, 8, 10], [10] * 6)
    >>> round(found.mean, 2), round(found.estimates[2].shrunken, 2), round(found.estimates[2].reliability, 2)
    (0.87, 0.6, 0.73)
    """
    from scipy.special import betaincinv

    tail = (1.0 - checked_level(level)) / 2.0
    _enough(len(events))
    fit = beta_binomial(events, cases)
    mean, rho = fit.mean.estimate, fit.correlation.estimate
    if mean is None or rho is None:
        raise CountsError("all cases have the event, or none: surgeons cannot be told apart")
    count, size = np.asarray(events, dtype=float), np.asarray(cases, dtype=float)
    raw = count / size
    if rho == 0.0:
        return _all_alike(mean, raw, *beta_limits(float(count.sum()), float(size.sum()), level))
    prior = (1.0 - rho) / rho
    with_event, without = mean * prior + count, (1.0 - mean) * prior + size - count
    lower, upper = (np.asarray(betaincinv(with_event, without, part), dtype=float) for part in (tail, 1.0 - tail))
    between = mean * (1.0 - mean) * rho
    return _shrinkage(mean, between, raw, with_event / (prior + size), lower, upper, size / (prior + size))


def reliability(between: float, noise: float) -> float:
    """Signal over signal plus noise, 0-1: how far a difference between surgeons is one of surgeons rather than chance.

    between: variance of true results between surgeons. noise: variance of a result by chance, such as p (1 - p) / n.
    It speaks of the measure among these surgeons, not of the truth of any one result; bias is no part of it.
    Raises: CountsError for a negative variance, or both 0.
    Source: Adams 2009, The Reliability of Provider Profiling: A Tutorial, RAND TR-653.

    >>> reliability(0.01, 0.01)
    0.5
    """
    if not (between >= 0.0 and noise >= 0.0 and 0.0 < between + noise < math.inf):
        raise CountsError("variances are at least 0, and not both 0")
    return between / (between + noise)


def cases_needed_for_reliability(
    between: float, noise_of_one_case: float, target: float = TARGET_RELIABILITY
) -> int | None:
    """Cases a surgeon needs before the measure reaches a reliability; None where surgeons do not differ beyond chance.

    noise_of_one_case: variance of one case, such as p (1 - p) for a share; for a ratio of mean risk p, (1 - p) / p.
    Assumes: noise falls as one over the cases. It rests on `between`, of which few surgeons tell little: say so.
    Raises: CountsError for a negative variance or no noise; ValueError for a target of 0, 1 or outside.
    Source: the Spearman-Brown formula turned round (Spearman 1910, Brown 1910, Br J Psychol 3).

    >>> cases_needed_for_reliability(0.002, 0.1 * 0.9)
    105
    """
    if not 0.0 < target < 1.0:
        raise ValueError(f"target {target}: expected a share above 0 and below 1, such as 0.7")
    if not (between >= 0.0 and 0.0 < noise_of_one_case < math.inf):
        raise CountsError("variances are at least 0, and that of a case above 0")
    if between == 0.0:
        return None
    return math.ceil(target / (1.0 - target) * noise_of_one_case / between - 1e-9)


def _enough(units: int) -> None:
    if units < FEWEST_UNITS:
        raise CountsError(f"shrinkage needs at least {FEWEST_UNITS} surgeons: {units} tell too little about each other")


def _between(value: Floats, noise: Floats) -> float:
    """The variance between surgeons at which scores have the spread that chance gives them."""

    def excess(between: float) -> float:
        weight = 1.0 / (noise + between)
        return float(weight @ (value - weight @ value / weight.sum()) ** 2) - (len(value) - 1)

    if excess(0.0) <= 0.0:
        return 0.0
    high = float(noise.max())
    while excess(high) > 0.0:
        high *= 2.0
    return _root(excess, 0.0, high)


def _gamma_prior(count: Floats, size: Floats) -> tuple[float, float]:
    """Likeliest mean ratio and prior events; these are endless where no more spread is seen than chance gives."""
    from scipy.optimize import minimize_scalar
    from scipy.special import digamma, gammaln

    def best_shape(prior: float) -> float:
        """The shape at which the likelihood has its top, prior events held fixed."""
        reach = float(np.log1p(size / prior).sum())

        def slope(log_shape: float) -> float:
            shape = math.exp(log_shape)
            return float((digamma(count + shape) - digamma(shape)).sum()) - reach

        middle = math.log(prior * count.sum() / size.sum())
        return math.exp(_root(slope, middle - 40.0, middle + 40.0))

    def surprise(log_prior: float) -> float:
        prior = math.exp(log_prior)
        shape = best_shape(prior)
        chances = (
            gammaln(count + shape) - gammaln(shape) - shape * np.log1p(size / prior) - count * np.log(prior + size)
        )
        return -float(chances.sum())

    mean = float(count.sum() / size.sum())
    # by chance alone the variance of counts is their mean; less than that leaves nothing to the gamma law
    if float(((count - mean * size) ** 2 - count).sum()) <= 0.0:
        return mean, math.inf
    centre = math.log(float(size.mean()))
    found = minimize_scalar(surprise, bounds=(centre + _LEAST_LOG, centre + _MOST_LOG), method="bounded")
    prior = math.exp(float(found.x))
    return best_shape(prior) / prior, prior


def _root(function: Callable[[float], float], low: float, high: float) -> float:
    from scipy.optimize import brentq

    return float(brentq(function, low, high, xtol=1e-12))


def _all_alike(mean: float, raw: Floats, lower: float, upper: float) -> Shrinkage:
    """No spread beyond chance: everybody is given the mean, with its own limits."""
    every = np.ones(len(raw))
    return _shrinkage(mean, 0.0, raw, mean * every, lower * every, upper * every, 0.0 * every)


def _shrinkage(
    mean: float, between: float, raw: Floats, shrunken: Floats, lower: Floats, upper: Floats, weight: Floats
) -> Shrinkage:
    rows = np.stack([raw, shrunken, lower, upper, weight], axis=1).tolist()
    return Shrinkage(mean, between, tuple(ShrunkenEstimate(*row) for row in rows))
