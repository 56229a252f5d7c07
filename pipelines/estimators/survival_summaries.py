"""One-number summaries of a survival curve: a quantile such as the median, and the restricted mean."""

from dataclasses import dataclass

import numpy as np

from pipelines.estimators.counts import Reason
from pipelines.estimators.kaplan_meier import SurvivalCurve, curve_limits, survival_at
from pipelines.estimators.limits import Floats, checked_level, normal_quantile

# Two heights of a curve count as equal within this: a product of fractions can miss a round share.
SAME_HEIGHT = 1.5e-8


@dataclass(frozen=True)
class QuantileEstimate:
    """The day by which a share has had the event. None where the curve or its limit stays above."""

    share: float
    estimate_days: float | None
    lower_days: float | None
    upper_days: float | None


@dataclass(frozen=True)
class RestrictedMean:
    """Mean days without the event up to tau_days. Days, or None (with the reason) where it cannot be had."""

    tau_days: int
    estimate_days: float | None
    lower_days: float | None
    upper_days: float | None
    std_error_days: float | None
    reason: Reason | None = None


def quantile_with_limits(curve: SurvivalCurve, share: float = 0.5, level: float = 0.95) -> QuantileEstimate:
    """Day by which a given share has had the event, with limits from the curve's own limits.

    Estimator: the first day on which survival is at or below 1 - share; where the curve runs flat at exactly that
    height, the middle of the flat stretch, as R `quantile.survfit` (if it runs flat to the end, the middle of what
    was followed, which is rather early). Limits (Brookmeyer & Crowley): the same reading of the lower and of the
    upper log(-log) limit, the lower being 0 once survival is 0 (R leaves it out there). A limit is None where that
    curve never comes down so far: read "not reached". Under delayed entry a limit can fall below a height and rise
    again; the first fall counts.
    Assumes: as `product_limit`. Misleads as a stand-in for "how long it takes" if most never have the event, and
    when visits are months apart: the quantile can only fall on days on which events were found.
    curve: from `product_limit`. share: of people having had the event, above 0, below 1. level: above 0, below 1.
    Returns days since the origin, halves possible; nothing past the last day of follow-up.
    Raises: ValueError, for a share or level outside 0-1.
    Source: Brookmeyer & Crowley 1982, Biometrics 38:29-41.

    >>> import polars as pl
    >>> from pipelines.estimators import product_limit, risk_table
    >>> spells = pl.DataFrame({"exit_day": [3, 5, 8], "events": [1, 1, 2], "censored": [0, 0, 0]})
    >>> quantile_with_limits(product_limit(risk_table(spells))).estimate_days
    6.5
    """
    checked_level(level)
    if not 0.0 < share < 1.0:
        raise ValueError(f"share {share}: expected above 0 and below 1, such as 0.5 for the median")
    if curve.last_day is None:
        return QuantileEstimate(share, None, None, None)
    rows = curve.day <= curve.last_day
    days = curve.day[rows].astype(np.float64)
    lower, upper = curve_limits(curve, level)
    lower = np.where(curve.survival == 0.0, 0.0, lower)
    estimate, early, late = (
        _first_day_down_to(1.0 - share, days, heights[rows], float(curve.last_day))
        for heights in (curve.survival, lower, upper)
    )
    return QuantileEstimate(share, estimate, early, late)


def restricted_mean(curve: SurvivalCurve, tau_days: int, level: float = 0.95) -> RestrictedMean:
    """Mean number of days without the event within the first tau_days.

    Estimator: area under the curve from 0 to tau_days. Standard error: from Greenwood's sum, each event day
    weighted by the square of the area still to come, as R `print(survfit, rmean=tau)`. Limits: normal, kept inside
    0 to tau_days. Without any event before tau_days the upper limit is tau_days and the lower is tau_days times the
    exact lower limit of `survival_at`, for the curve is nowhere lower than at its end; with all events on one day
    there are no limits.
    Assumes: as `product_limit`. Misleads when two groups are compared at different tau_days, and when few are still
    at risk near tau_days: the last part of the area then rests on them.
    curve: from `product_limit`. tau_days: whole days, at least 1. level: above 0, below 1. Returns days. The
    estimate is None past the last day of follow-up, and where everybody entered late (the first part of the area is
    unknown).
    Raises: ValueError, for tau_days below 1, a level outside 0-1, and a curve with a robust variance (from
    `clustered_survival` or `weighted_survival`), whose steps do not add up to a variance of the area.
    Source: Irwin 1949, J Hyg 47:188-189; Klein & Moeschberger 2003, Survival Analysis, section 4.5.

    >>> import polars as pl
    >>> from pipelines.estimators import product_limit, risk_table
    >>> spells = pl.DataFrame({"exit_day": [3, 5, 8], "events": [1, 1, 2], "censored": [0, 0, 0]})
    >>> restricted_mean(product_limit(risk_table(spells)), 6).estimate_days
    5.0
    """
    checked_level(level)
    if tau_days < 1:
        raise ValueError(f"tau_days {tau_days}: expected at least 1")
    if curve.trials is not None:
        raise ValueError("a curve with clusters or weights has no restricted mean here")
    if curve.last_day is None or tau_days > curve.last_day:
        return RestrictedMean(tau_days, None, None, None, None, "beyond_follow_up")
    if curve.first_day:
        return RestrictedMean(tau_days, None, None, None, None, "before_follow_up")

    rows = curve.day <= tau_days
    days = curve.day[rows].astype(np.float64)
    widths = np.diff(days, prepend=0.0, append=float(tau_days))
    rectangles = widths * np.concatenate([[1.0], curve.survival[rows]])
    mean = float(rectangles.sum())
    area_to_come = np.cumsum(rectangles[:0:-1])[::-1]
    steps = np.diff(np.where(np.isfinite(curve.greenwood[rows]), curve.greenwood[rows], 0.0), prepend=0.0)
    # past a fall to 0 the area to come is 0, so the step there, infinite, does not count
    variance = float((area_to_come**2 * np.where(curve.survival[rows] > 0.0, steps, 0.0)).sum())
    if variance == 0.0:
        return _restricted_mean_without_spread(curve, tau_days, mean, level)
    std_error = float(np.sqrt(variance))
    spread = normal_quantile(level) * std_error
    return RestrictedMean(tau_days, mean, max(0.0, mean - spread), min(float(tau_days), mean + spread), std_error)


def _restricted_mean_without_spread(curve: SurvivalCurve, tau_days: int, mean: float, level: float) -> RestrictedMean:
    """Limits where the formula gives zero width: no event before tau, or all on one day (then none)."""
    (end,) = survival_at(curve, [tau_days - 1], level)
    if end.limits_by == "exact_no_events" and end.lower is not None:
        return RestrictedMean(tau_days, mean, tau_days * end.lower, float(tau_days), None)
    return RestrictedMean(tau_days, mean, None, None, None)


def _first_day_down_to(height: float, days: Floats, heights: Floats, last_day: float) -> float | None:
    """First day on which a step curve is at or below a height; the middle of a stretch level with it."""
    known = ~np.isnan(heights)
    reached = np.flatnonzero(known & (heights <= height + SAME_HEIGHT))
    if not reached.size:
        return None
    first = int(reached[0])
    if abs(heights[first] - height) >= SAME_HEIGHT:
        return float(days[first])
    below = np.flatnonzero(known & (heights <= height - SAME_HEIGHT))
    return float((days[first] + (days[below[0]] if below.size else last_day)) / 2.0)
