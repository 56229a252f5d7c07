"""Smoothed hazard: at what rate events happen among those still without one, from day to day."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from pipelines.estimators.counts import Counts
from pipelines.estimators.counts import Reason as FollowUpReason
from pipelines.estimators.kaplan_meier import SurvivalCurve
from pipelines.estimators.limits import Floats, checked_level, normal_quantile

Reason = FollowUpReason | Literal["follow_up_too_short", "unstable_at_the_end"]
LimitsBy = Literal["log", "poisson_no_events"]


@dataclass(frozen=True)
class HazardEstimate:
    """Events per person and day around a day, with pointwise limits.

    estimate, lower, upper, std_error: per day (times 365.25: per year), or None where nothing honest can be said.
    bandwidth_days: events up to so many days before and after count, the nearer the more. events: how many did.
    limits_by: log; poisson_no_events (none within the bandwidth). reason: why there is no estimate.
    """

    at_days: int
    bandwidth_days: int
    estimate: float | None
    lower: float | None
    upper: float | None
    std_error: float | None
    events: int
    limits_by: LimitsBy | None
    reason: Reason | None = None


def smoothed_hazard(
    curve: SurvivalCurve, at_days: Sequence[int], *, bandwidth_days: int, level: float = 0.95
) -> list[HazardEstimate]:
    """Rate of events among those still without one, averaged over a window around each day.

    Estimator: the steps events / at_risk of the cumulative hazard, weighted by an Epanechnikov kernel of one bandwidth
    throughout, 3/4 (1 - x^2) at x = distance / bandwidth. Within a bandwidth of either end of follow-up the kernel is
    multiplied by a line in x, so that what sticks out is left off and neither level nor slope is bent.
    Variance: sum of squared weights x events / at_risk^2. Limits: log scale, so above 0. Without an event in the window
    the estimate is 0 and the upper limit -log((1 - level) / 2) / (person-days in the window), as for a Poisson count.
    Assumes: as `product_limit`, and a hazard that bends little within a bandwidth: limits tell of chance, not of
    smoothing, so peaks narrower than the window are flattened and limits do not hold them. Always state the bandwidth.
    Misleads near the ends, where few events count and the estimate can swing; where it would fall below 0 there is
    none. A wiggle is no finding: look at several bandwidths.
    curve: from `product_limit`. at_days: whole days since the origin, any order. bandwidth_days: at least 1; half the
    followed span at most. level: above 0, below 1.
    Returns one estimate a day, same order; None outside the followed span.
    Raises: ValueError, for bandwidth_days below 1, a level outside 0-1, a curve with clusters or weights.
    Source: Ramlau-Hansen 1983, Ann Stat 11:453-466; ends: Gasser & Mueller 1979, in Smoothing Techniques for Curve
    Estimation, 23-68, in the form of Klein & Moeschberger 2003, Survival Analysis, section 6.2.

    >>> import polars as pl
    >>> from pipelines.estimators import product_limit
    >>> table = pl.DataFrame({"day": [10, 20], "at_risk": [10, 9], "events": [1, 0], "censored": [0, 9]})
    >>> round(smoothed_hazard(product_limit(table), [10], bandwidth_days=10)[0].estimate, 6)
    0.0075
    """
    quantile = normal_quantile(checked_level(level))
    if bandwidth_days < 1:
        raise ValueError(f"bandwidth_days {bandwidth_days}: expected at least 1")
    if curve.trials is not None:
        raise ValueError("a curve with clusters or weights has no smoothed hazard here")
    return [_hazard_on(curve, day, bandwidth_days, level, quantile) for day in at_days]


def kernel_weights(x: Floats, left: float, right: float) -> Floats:
    """Epanechnikov weights at x = (day - event day) / bandwidth, corrected for the ends of follow-up.

    left, right: bandwidths from the day back to the start and on to the end of follow-up; 1 or more is far enough.
    With q = left below 1 the support is -1 to q, and weights are K(x) (alpha + beta x) with total 1 and mean 0 there;
    near the right end the same in -x.
    Raises: ValueError, where both ends are nearer than a bandwidth.
    """
    if left < 1.0 and right < 1.0:
        raise ValueError("the bandwidth is more than half of the follow-up")
    if right < 1.0:
        return kernel_weights(-x, right, left)
    q = min(left, 1.0)
    plain = np.where((x >= -1.0) & (x <= q), 0.75 * (1.0 - x**2), 0.0)
    if q == 1.0:
        return plain
    scale = (1.0 + q) ** 4 * (19.0 - 18.0 * q + 3.0 * q**2)
    alpha = 64.0 * (2.0 - 4.0 * q + 6.0 * q**2 - 3.0 * q**3) / scale
    beta = 240.0 * (1.0 - q) ** 2 / scale
    return np.asarray(plain * (alpha + beta * x))


def _hazard_on(curve: SurvivalCurve, at_days: int, bandwidth: int, level: float, quantile: float) -> HazardEstimate:
    def none(reason: Reason, events: int = 0) -> HazardEstimate:
        return HazardEstimate(at_days, bandwidth, None, None, None, None, events, None, reason)

    counts = curve.counts
    unknown = counts.reason_unknown(at_days)
    if unknown:
        return none(unknown)
    start, end = _span(counts)
    if 2 * bandwidth > end - start:
        return none("follow_up_too_short")
    near = (curve.events > 0) & (np.abs(curve.day - at_days) <= bandwidth) & (curve.day <= end)
    events, at_risk = curve.events[near].astype(np.float64), curve.at_risk[near].astype(np.float64)
    x = (at_days - curve.day[near]) / bandwidth
    weights = kernel_weights(x, (at_days - start) / bandwidth, (end - at_days) / bandwidth) / bandwidth
    happened = int(events.sum())
    if not happened:
        days = np.arange(max(start + 1, at_days - bandwidth), min(end, at_days + bandwidth) + 1)
        upper = -math.log((1.0 - level) / 2.0) / float(counts.at_risk_on(days).sum())
        return HazardEstimate(at_days, bandwidth, 0.0, 0.0, upper, None, 0, "poisson_no_events")
    estimate = float((weights * events / at_risk).sum())
    std_error = math.sqrt(float((weights**2 * events / at_risk**2).sum()))
    if estimate <= 0.0:
        return none("unstable_at_the_end", happened)
    factor = math.exp(min(quantile * std_error / estimate, 700.0))
    return HazardEstimate(
        at_days, bandwidth, estimate, estimate / factor, estimate * factor, std_error, happened, "log"
    )


def _span(counts: Counts) -> tuple[int, int]:
    """Day from which on, and day up to which, people are followed without a gap."""
    return max((counts.first_day or 0) - 1, 0), counts.last_day or 0
