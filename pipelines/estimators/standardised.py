"""Standardised ratios and rates: what was seen beside what was expected of the same patients."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from pipelines.estimators.counts import Ints
from pipelines.estimators.errors import CountsError
from pipelines.estimators.limits import Floats, checked_level
from pipelines.estimators.poisson_binomial import checked_risks, poisson_binomial

RatioBy = Literal["exact_poisson", "mid_p_poisson", "exact_poisson_binomial", "mid_p_poisson_binomial"]


@dataclass(frozen=True)
class StandardisedRatio:
    """Observed over expected, 1 where both agree. lower, upper: limits of the ratio. method: how they were found."""

    observed: int
    expected: float
    ratio: float
    lower: float
    upper: float
    level: float
    method: RatioBy


@dataclass(frozen=True)
class StandardisedRate:
    """A rate or share in the unit that went in, with its limits. events: all that were counted."""

    rate: float
    lower: float
    upper: float
    level: float
    events: int


def standardised_ratio(
    observed: int, expected: float, level: float = 0.95, *, mid_p: bool = False
) -> StandardisedRatio:
    """Observed over expected events, the expected ones taken as known, the observed as Poisson.

    Limits: exact, equal tails: the ratios under which a count this far out has chance (1 - level) / 2; they hold at
    least at the level. mid_p counts half the chance of the very count seen: narrower, holds at the level on average.
    Assumes: events come one by one; expected carries no error of its own (a model fitted to few cases does carry one).
    Misleads for shares that are not rare: limits are then too wide and may pass what is possible; with the risk of each
    case at hand use `standardised_ratio_of_risks`. Ratios of two surgeons with different patients may not be set
    against each other: each is measured on its own patients. A ratio of an individual prompts review, no verdict.
    observed: whole, at least 0. expected: above 0. level: above 0, below 1.
    Raises: CountsError for a negative count or nothing expected; ValueError for level.
    Source: Breslow & Day 1987, Statistical Methods in Cancer Research vol. II, section 2.3; mid-P: Cohen & Yang 1994,
    J Epidemiol Community Health 48:104.

    >>> found = standardised_ratio(8, 4.0)
    >>> found.ratio, round(found.lower, 2), round(found.upper, 2)
    (2.0, 0.86, 3.94)
    """
    if observed < 0:
        raise CountsError("a count is at least 0")
    if not (math.isfinite(expected) and expected > 0.0):
        raise CountsError("nothing was expected, so there is no ratio: the expected count must be above 0")
    lower, upper = poisson_limits(observed, level, mid_p=mid_p)
    method: RatioBy = "mid_p_poisson" if mid_p else "exact_poisson"
    return StandardisedRatio(observed, expected, observed / expected, lower / expected, upper / expected, level, method)


def standardised_ratio_of_risks(
    observed: int, risks: Sequence[float] | Floats, level: float = 0.95, *, mid_p: bool = False
) -> StandardisedRatio:
    """Observed over the sum of the cases' expected risks, with limits by the law of such a sum (Poisson-binomial).

    Limits: all cases' odds are multiplied by one factor; it is moved until a count this far out has chance
    (1 - level) / 2, and the limit is the sum of the risks so moved over the sum expected. So a ratio never passes what
    is possible (all cases, or none), and limits of a common outcome are narrower than Poisson's.
    Assumes: cases independent (one session a patient, or few), risks known without error, one factor for all. Misleads
    where the model is badly calibrated: look at its calibration first.
    observed: whole, 0 to n. risks: (n,) 0-1, not all 0. level: above 0, below 1. mid_p: as `standardised_ratio`.
    Raises: CountsError for counts outside 0 to n, risks as `checked_risks`, risks all 0, or a count that risks of 0 and
    1 rule out; ValueError for level.
    Source: the law: Hong 2013, Comput Stat Data Anal 59:41-51; limits by moving the odds: own choice.

    >>> found = standardised_ratio_of_risks(8, [0.5] * 10)
    >>> found.ratio, round(found.lower, 2), round(found.upper, 2)
    (1.6, 0.89, 1.95)
    """
    from scipy.special import expit

    risk = checked_risks(risks)
    tail = (1.0 - checked_level(level)) / 2.0
    n, expected = len(risk), float(risk.sum())
    if not 0 <= observed <= n:
        raise CountsError(f"{observed} of {n}: expected a number from 0 to the cases")
    if expected == 0.0:
        raise CountsError("nothing was expected, so there is no ratio: all risks are 0")
    certain, open_risk = int((risk == 1.0).sum()), risk[(risk > 0.0) & (risk < 1.0)]
    if not certain <= observed <= certain + len(open_risk):
        raise CountsError("a case with a risk of 0 had the event, or one with a risk of 1 did not")
    free, half = observed - certain, 0.5 if mid_p else 1.0
    log_odds = np.log(open_risk / (1.0 - open_risk))

    def moved(log_factor: float) -> Floats:
        return np.asarray(expit(log_odds + log_factor), dtype=float)

    def at_least(log_factor: float) -> float:
        law = poisson_binomial(moved(log_factor))
        return float(law[free + 1 :].sum() + half * law[free])

    def at_most(log_factor: float) -> float:
        law = poisson_binomial(moved(log_factor))
        return float(law[:free].sum() + half * law[free])

    lower = certain + (0.0 if free == 0 else float(moved(_root(lambda f: at_least(f) - tail)).sum()))
    upper = certain + (
        float(len(log_odds)) if free == len(log_odds) else float(moved(_root(lambda f: tail - at_most(f))).sum())
    )
    method: RatioBy = "mid_p_poisson_binomial" if mid_p else "exact_poisson_binomial"
    return StandardisedRatio(observed, expected, observed / expected, lower / expected, upper / expected, level, method)


def poisson_limits(observed: int, level: float = 0.95, *, mid_p: bool = False) -> tuple[float, float]:
    """Limits of the mean of a Poisson count. Raises: ValueError for level. Source: as `standardised_ratio`."""
    from scipy.special import gammainc, gammaincc, gammainccinv, gammaincinv, pdtr

    tail = (1.0 - checked_level(level)) / 2.0
    if not mid_p:
        lower = float(gammaincinv(observed, tail)) if observed else 0.0
        return lower, float(gammainccinv(observed + 1, tail))
    if observed == 0:
        return 0.0, -math.log(2.0 * tail)

    def at_least(log_mean: float) -> float:
        mean = math.exp(log_mean)
        return 0.5 * float(gammainc(observed, mean) + gammainc(observed + 1, mean))

    def at_most(log_mean: float) -> float:
        mean = math.exp(log_mean)
        return 0.5 * float(pdtr(observed, mean) + gammaincc(observed, mean))

    return math.exp(_root(lambda f: at_least(f) - tail)), math.exp(_root(lambda f: tail - at_most(f)))


def directly_standardised_rate(
    events: Sequence[int] | Ints,
    at_risk: Sequence[float] | Floats,
    weights: Sequence[float] | Floats,
    level: float = 0.95,
) -> StandardisedRate:
    """The rate that would be seen if strata were mixed as in a standard, with gamma limits.

    Estimator: sum of weight x events / at_risk over strata, weights scaled to sum to 1. Limits: a weighted sum of
    Poisson counts taken as gamma; they hold at least at the level in all situations tried, and exist without events.
    Assumes: events of a stratum Poisson, strata independent. Misleads for common shares (limits too wide, may pass 1)
    and where a stratum with much weight has few at risk: then the figure rests on those few.
    events: (k,) whole, at least 0. at_risk: (k,) people or time, above 0. weights: (k,) at least 0, not all 0: the size
    of each stratum in the standard, in any unit. level: above 0, below 1. Returns the rate in events a unit at risk.
    Raises: CountsError for other shapes or values, and for a stratum of the standard in which nobody was at risk: join
    strata first. ValueError for level.
    Source: Fay & Feuer 1997, Stat Med 16:791-801.

    >>> found = directly_standardised_rate([5, 10], [100, 50], [1, 1])
    >>> round(found.rate, 3), round(found.lower, 3), round(found.upper, 3)
    (0.125, 0.068, 0.212)
    """
    from scipy.special import gammainccinv, gammaincinv

    tail = (1.0 - checked_level(level)) / 2.0
    count, size, weight = (np.asarray(column, dtype=float) for column in (events, at_risk, weights))
    if count.ndim != 1 or not len(count) or not count.shape == size.shape == weight.shape:
        raise CountsError("events, people at risk and weights are columns of the same length, of at least one stratum")
    if not all(np.isfinite(column).all() for column in (count, size, weight)) or min(count.min(), weight.min()) < 0.0:
        raise CountsError("events and weights are numbers of at least 0, none missing")
    if weight.sum() <= 0.0:
        raise CountsError("all weights are 0")
    kept = weight > 0.0
    if (size[kept] <= 0.0).any():
        raise CountsError("a stratum of the standard has nobody at risk: join strata, or leave it out of the standard")
    count, share = count[kept], weight[kept] / weight[kept].sum() / size[kept]
    rate, variance, most = float(share @ count), float(share**2 @ count), float(share.max())
    lower = 0.0 if rate == 0.0 else variance / rate * float(gammaincinv(rate**2 / variance, tail))
    wider, higher = variance + most**2, rate + most
    upper = wider / higher * float(gammainccinv(higher**2 / wider, tail))
    return StandardisedRate(rate, lower, upper, level, int(count.sum()))


def indirectly_standardised_rate(ratio: StandardisedRatio, reference_rate: float) -> StandardisedRate:
    """The ratio times the rate of the reference: what the reference rate would become at this ratio.

    For readers who think in shares rather than ratios; it says nothing that the ratio does not. Misleads like the ratio
    where surgeons are set against each other, and a share so made can pass 1 where the reference is high: then show the
    ratio. reference_rate: above 0, in any unit; limits keep it.
    Raises: CountsError for a reference rate of 0 or below.
    Source: Breslow & Day 1987, vol. II, section 2.3.
    """
    if not (math.isfinite(reference_rate) and reference_rate > 0.0):
        raise CountsError("the reference rate must be above 0")
    return StandardisedRate(
        ratio.ratio * reference_rate,
        ratio.lower * reference_rate,
        ratio.upper * reference_rate,
        ratio.level,
        ratio.observed,
    )


def _root(rising: Callable[[float], float]) -> float:
    """Where a function that rises from below 0 to above 0 is 0, looked for outward from 0."""
    from scipy.optimize import brentq

    low, high = -1.0, 1.0
    while rising(low) > 0.0:
        low *= 2.0
    while rising(high) < 0.0:
        high *= 2.0
    return float(brentq(rising, low, high, xtol=1e-12))
