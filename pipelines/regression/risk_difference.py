"""Differences of risk that a logistic model tells, averaged over the people it was fitted to."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .logistic import LogisticFit, risk
from .observations import Observations, clustered_covariance
from .spells import Floats


@dataclass(frozen=True)
class RiskDifference:
    """estimate: difference of mean risks, -1 to 1. standard_error: of it. with_it, without: the two mean risks."""

    estimate: float
    standard_error: float
    with_it: float
    without: float


def risk_difference(observations: Observations, fit: LogisticFit, with_it: Floats, without: Floats) -> RiskDifference:
    """Mean risk if all had the columns `with_it`, less the mean risk if all had `without`, other columns as they are.

    Errors by the delta method: those of the coefficients, and that the people are a sample. For a Firth fit risks have
    the refitted intercept, and errors are those of the penalised likelihood. A difference near 0 risk has skew limits
    that this cannot show: with few events read the odds ratio's limits too.
    with_it, without: (n, p) the covariates of every observation under the two readings.
    Source: Lane & Nelder 1982, Biometrics 38:613-621 (standardisation); delta method as in any text.
    """
    beta = fit.coefficients[1:]
    one, other = (risk(fit.risk_intercept + x @ beta) for x in (with_it, without))
    slope_one, slope_other = one * (1 - one), other * (1 - other)
    difference = one - other
    gradient = np.r_[
        (slope_one - slope_other).mean(), (with_it * slope_one[:, None] - without * slope_other[:, None]).mean(axis=0)
    ]
    sampled = (difference - difference.mean()) / observations.size
    if fit.firth:
        variance = gradient @ fit.covariance @ gradient + float(sampled @ sampled)
    else:
        pull = fit.influence @ gradient + sampled
        variance = float(clustered_covariance(pull[:, None], observations.cluster)[0, 0])
    return RiskDifference(float(difference.mean()), float(np.sqrt(variance)), float(one.mean()), float(other.mean()))
