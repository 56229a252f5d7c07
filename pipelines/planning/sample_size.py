"""How many cases a difference of interest asks for: formulas that know nothing of the registry.

All tests are two-sided. `level` is the confidence level, so the error of the first kind is 1 - level; `power` is the
chance that a difference of this size is found. Numbers of cases are rounded up.
"""

from __future__ import annotations

import math
from statistics import NormalDist

from ..estimators.limits import checked_level, normal_quantile


def cases_two_shares(
    first: float, second: float, *, power: float = 0.8, level: float = 0.95, split: float = 0.5
) -> tuple[int, int]:
    """Cases in two groups, so that their shares are found to differ.

    first, second: the true shares, 0 to 1. split: the part of all cases in the first group, above 0 and below 1.
    Test of a common share without a correction for continuity: with fewer than about five events a group the normal
    law is crude and the number too small; `simulated_power_two_shares` tells.
    Raises: ValueError where the shares are equal or outside 0 to 1, or another number is out of range.
    Source: Fleiss, Levin & Paik 2003, Statistical Methods for Rates and Proportions, 3rd ed., ch. 4 (recalled).

    >>> cases_two_shares(0.5, 0.75, power=0.9)
    (77, 77)
    """
    if not (0.0 <= first <= 1.0 and 0.0 <= second <= 1.0) or first == second:
        raise ValueError("the shares must differ and lie from 0 to 1")
    z_error, z_power = normal_quantile(level), _z_of_power(power)
    ratio = _ratio(split)
    pooled = (first + ratio * second) / (1.0 + ratio)
    spread = z_error * math.sqrt((1.0 + ratio) * pooled * (1.0 - pooled))
    spread += z_power * math.sqrt(ratio * first * (1.0 - first) + second * (1.0 - second))
    in_first = (spread / (second - first)) ** 2 / ratio
    return math.ceil(in_first), math.ceil(in_first * ratio)


def events_for_hazard_ratio(ratio: float, *, power: float = 0.8, level: float = 0.95, split: float = 0.5) -> int:
    """Events in both groups together, so that a hazard ratio is found by a log-rank test.

    ratio: the true hazard ratio, above 0 and not 1, the same at all times. split: the part of patients in one group.
    Misleads: hazards that cross or grow apart late, and groups whose loss differs.
    Raises: ValueError where the ratio is 1 or not above 0, or another number is out of range.
    Source: Schoenfeld 1983, Biometrics 39:499-503.

    >>> events_for_hazard_ratio(2.0)
    66
    """
    if not ratio > 0.0 or ratio == 1.0:
        raise ValueError("the hazard ratio must be above 0 and not 1")
    _ratio(split)
    z = normal_quantile(level) + _z_of_power(power)
    return math.ceil((z / math.log(ratio)) ** 2 / (split * (1.0 - split)))


def cases_two_means(
    difference: float, sd: float, *, power: float = 0.8, level: float = 0.95, split: float = 0.5
) -> tuple[int, int]:
    """Cases in two groups, so that means are found to differ; both groups have the same standard deviation.

    difference, sd: in the same unit, sd above 0. Normal approximation: up to two cases a group too few.
    Raises: ValueError where the difference is 0 or the standard deviation not above 0.
    Source: Chow, Shao & Wang 2008, Sample Size Calculations in Clinical Research, ch. 3 (recalled).

    >>> cases_two_means(0.5, 1.0)
    (63, 63)
    """
    if difference == 0.0 or not sd > 0.0:
        raise ValueError("the difference must not be 0, and the standard deviation above 0")
    ratio = _ratio(split)
    z = normal_quantile(level) + _z_of_power(power)
    in_first = (1.0 + 1.0 / ratio) * (z * sd / difference) ** 2
    return math.ceil(in_first), math.ceil(in_first * ratio)


def cases_without_event(share: float, *, level: float = 0.95) -> int:
    """Cases without a single event, so that the one-sided upper limit of the share is at most this.

    Exact; about 3 / share at a level of 95 % (the rule of three).
    Raises: ValueError where the share is not above 0 and below 1.
    Source: Hanley & Lippman-Hand 1983, JAMA 249:1743-1745.

    >>> cases_without_event(0.01)
    299
    """
    if not 0.0 < share < 1.0:
        raise ValueError("the share must be above 0 and below 1")
    return math.ceil(math.log(1.0 - checked_level(level)) / math.log1p(-share))


def _ratio(split: float) -> float:
    """Cases of the second group for one of the first."""
    if not 0.0 < split < 1.0:
        raise ValueError("the split must be above 0 and below 1")
    return (1.0 - split) / split


def _z_of_power(power: float) -> float:
    if not 0.5 < power < 1.0:
        raise ValueError("the power must be above 0.5 and below 1")
    return NormalDist().inv_cdf(power)
