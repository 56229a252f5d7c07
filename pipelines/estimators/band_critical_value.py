"""How far a Brownian bridge strays: the critical value of the Hall-Wellner band, computed rather than tabulated."""

import math
from functools import cache

import numpy as np

from pipelines.estimators.limits import Floats, checked_level

# Ends of the bridge are integrated over so many standard deviations to either side, by so many nodes.
DEVIATIONS, NODES = 8.5, 96
REFLECTIONS = 12


def hall_wellner_critical(from_share: float, to_share: float, level: float = 0.95) -> float:
    """The c with P(|B(a)| <= c for all a from from_share to to_share) = level, B a Brownian bridge on 0 to 1.

    Given its values at both ends, the part between is a Brownian bridge, whose chance to stay between -c and c is a
    series of reflections; that is integrated over the joint normal distribution of the two ends (Gauss-Legendre).
    Over all of 0 to 1 it is the limit of the Kolmogorov-Smirnov statistic.
    from_share: 0 to below to_share. to_share: up to 1. level: above 0, below 1.
    Returns c, above 0; correct to about 1e-6.
    Raises: ValueError, for shares or a level outside these.
    Source: Hall & Wellner 1980, Biometrika 67:133-143; tables: Klein & Moeschberger 2003, Survival Analysis, C.4.

    >>> round(hall_wellner_critical(0.0, 1.0), 4)
    1.3581
    """
    from scipy.optimize import brentq

    checked_level(level)
    if not 0.0 <= from_share < to_share <= 1.0:
        raise ValueError(f"shares {from_share} to {to_share}: expected 0 or more, rising, up to 1")
    return float(brentq(lambda c: stays_within(from_share, to_share, c) - level, 1e-3, 8.0, xtol=1e-9))


def stays_within(from_share: float, to_share: float, c: float) -> float:
    """Chance that a Brownian bridge stays between -c and c from from_share to to_share (0 <= from < to <= 1)."""
    first, weight_first = _normal_nodes(0.0, math.sqrt(from_share * (1.0 - from_share)), c)
    length = to_share - from_share
    spread = math.sqrt(length * (1.0 - to_share) / (1.0 - from_share))
    means = first * (1.0 - to_share) / (1.0 - from_share)
    chance = 0.0
    for x, weight, mean in zip(first, weight_first, means, strict=True):
        y, weight_y = _normal_nodes(float(mean), spread, c)
        chance += float(weight * (weight_y * _between(x, y, c, length)).sum())
    return chance


def _normal_nodes(mean: float, spread: float, c: float) -> tuple[Floats, Floats]:
    """Points from -c to c and weights, so that weighted sums are integrals over a normal distribution."""
    if spread == 0.0:
        return np.array([mean]), np.array([float(abs(mean) <= c)])
    low, high = max(-c, mean - DEVIATIONS * spread), min(c, mean + DEVIATIONS * spread)
    if low >= high:
        return np.array([mean]), np.zeros(1)
    node, weight = _legendre()
    points = (low + high) / 2.0 + node * (high - low) / 2.0
    density = np.exp(-(((points - mean) / spread) ** 2) / 2.0) / (spread * math.sqrt(2.0 * math.pi))
    return points, weight * density * (high - low) / 2.0


@cache
def _legendre() -> tuple[Floats, Floats]:
    return np.polynomial.legendre.leggauss(NODES)


def _between(x: float, y: Floats, c: float, length: float) -> Floats:
    """Chance that a Brownian path from x to y stays between -c and c: reflections, 4c apart."""
    k = np.arange(-REFLECTIONS, REFLECTIONS + 1)[:, np.newaxis]
    direct = ((y - x - 4.0 * k * c) ** 2 - (y - x) ** 2) / (2.0 * length)
    reflected = ((y + x - 2.0 * c - 4.0 * k * c) ** 2 - (y - x) ** 2) / (2.0 * length)
    return np.asarray((np.exp(-direct) - np.exp(-reflected)).sum(axis=0))
