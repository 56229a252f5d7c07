"""Differences of risk that a logistic model tells, averaged over the people it was fitted to."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .firth import refitted_intercept
from .logistic import LogisticFit, risk
from .observations import Observations, clustered_covariance
from .spells import Floats


@dataclass(frozen=True, eq=False)
class RiskDifference:
    """estimate: difference of mean risks, -1 to 1. standard_error: of it. gradient: (p + 1,) by each coefficient.

    with_it, without: the two mean risks. sampled: part of the variance that comes from the people being a sample.
    """

    estimate: float
    standard_error: float
    gradient: Floats
    with_it: float
    without: float
    sampled: float


def risk_difference(observations: Observations, fit: LogisticFit, with_it: Floats, without: Floats) -> RiskDifference:
    """Mean risk if all had the columns `with_it`, less the mean risk if all had `without`, other columns as they are.

    Errors by the delta method: those of the coefficients, and that the people are a sample. For a Firth fit risks have
    the refitted intercept, and errors are those of `fit_firth`: take `firth_difference_limits` then, for
    limits this near to a risk of 0 are skew.
    with_it, without: (n, p) the covariates of every observation under the two readings.
    Source: Lane & Nelder 1982, Biometrics 38:613-621 (standardisation); delta method as in any text.
    """
    one, other = (risk(fit.risk_intercept + x @ fit.slopes) for x in (with_it, without))
    slope_one, slope_other = one * (1 - one), other * (1 - other)
    difference = one - other
    gradient = np.r_[
        (slope_one - slope_other).mean(), (with_it * slope_one[:, None] - without * slope_other[:, None]).mean(axis=0)
    ]
    sampled = (difference - difference.mean()) / observations.size
    _, place = np.unique(observations.cluster, return_inverse=True)
    of_people = float(np.square(np.bincount(place, sampled)).sum())
    if fit.firth:
        variance = gradient @ fit.covariance @ gradient + of_people
    else:
        pull = fit.influence @ gradient + sampled
        variance = float(clustered_covariance(pull[:, None], observations.cluster)[0, 0])
    return RiskDifference(
        float(difference.mean()),
        float(np.sqrt(variance)),
        gradient,
        float(one.mean()),
        float(other.mean()),
        of_people,
    )


Readings = tuple[Floats, Floats]
"""The columns of all observations with it, and without."""


def firth_difference_limits(
    sets: Sequence[Observations],
    fits: Sequence[LogisticFit],
    readings: Sequence[Readings],
    column: int,
    limits: tuple[float, float],
    level: float = 0.95,
) -> tuple[float, float]:
    """Limits of the difference of risk that one column makes in Firth fits to one set, or several imputed ones.

    From the profile limits of its log odds ratio: the difference there, the other coefficients moving along and the
    intercept refitted, tells how far that ratio takes it; what the others add beside is put in as a square. So they
    lie askew as few events have it, and nearly always leave out 0 together with the odds ratio's.
    column: place of the column. limits: of its log odds ratio.
    Source: combined after Zou & Donner 2008, Stat Med 27:1693-1702; that the path is straight is an approximation.
    """
    from scipy.stats import norm

    rest, middles, beside_own, ends = [], [], [], []
    for seen, fit, (with_it, without) in zip(sets, fits, readings, strict=True):
        found = risk_difference(seen, fit, with_it, without)
        place = column + 1
        way = fit.covariance[:, place] / fit.covariance[place, place]
        pace = float(found.gradient @ way)
        rest.append(max(found.standard_error**2 - pace**2 * float(fit.covariance[place, place]), 0.0))
        middles.append(found.estimate)
        beside_own.append(found.estimate - pace * float(fit.coefficients[place]))
        ends.append([_moved(seen, fit, with_it, without, (limit - fit.coefficients[place]) * way) for limit in limits])
    middle, (low, high) = float(np.mean(middles)), np.mean(ends, axis=0)
    between = (1 + 1 / len(sets)) * float(np.var(beside_own, ddof=1)) if len(sets) > 1 else 0.0
    beside = float(norm.ppf((1 + level) / 2) ** 2) * (float(np.mean(rest)) + between)
    return (
        max(middle - float(np.sqrt((middle - min(low, middle)) ** 2 + beside)), -1.0),
        min(middle + float(np.sqrt((max(high, middle) - middle) ** 2 + beside)), 1.0),
    )


def _moved(seen: Observations, fit: LogisticFit, with_it: Floats, without: Floats, step: Floats) -> float:
    """The difference of mean risks with other coefficients."""
    slopes = fit.slopes + step[1:]
    intercept = refitted_intercept(seen.x @ slopes, float(seen.outcome.mean()))
    return float((risk(intercept + with_it @ slopes) - risk(intercept + without @ slopes)).mean())
