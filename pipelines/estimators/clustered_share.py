"""Interval for a share of sessions where a patient may have several: an effective number in place of the number."""

from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from pipelines.estimators.clustered_ratio import RatioSums, clustered_ratio, t_quantile
from pipelines.estimators.limits import checked_level
from pipelines.estimators.proportion import beta_limits, wilson_limits, zero_event_upper

Limits = Literal["wilson", "clopper_pearson"]


@dataclass(frozen=True)
class ClusteredShare:
    """A share (0-1) with its limits. effective_n: how many independent sessions would tell as much.

    design_effect: variance between patients over that of independent sessions, at least 1. one_sided: no event was
    seen, so the upper limit is the one-sided bound.
    """

    estimate: float
    lower: float
    upper: float
    effective_n: float
    design_effect: float
    one_sided: bool


def clustered_share(sums: RatioSums, level: float = 0.95, limits: Limits = "wilson") -> ClusteredShare:
    """Events / sessions, with Wilson's or Clopper and Pearson's limits on an effective number of sessions.

    Estimator: the design effect is the linearised variance between m patients (`clustered_ratio`) over p (1 - p) / (n
    - 1). Effective number: n / design effect, times the square of t on n - 1 over t on m - 1 degrees of freedom, and
    never above n. It stands for n in the limits, so with one session a patient they are the plain ones. Without an
    event (or with nothing but events) likeness within patients cannot be seen; the worst case is taken, one trial a
    patient. Without an event the upper limit is the one-sided bound 1 - (1 - level) ** (1 / number).
    Assumes: patients are independent. Misleads with few patients (below about 20), of whom the design effect knows
    little, and where those not assessed differ.
    sums: y = events of a patient, x = sessions of the patient. level: above 0, below 1. Returns shares, 0-1.
    Raises: CountsError as `clustered_ratio`; ValueError for level.
    Source: Korn & Graubard 1998, Surv Methodol 24:193-201; Hanley & Lippman-Hand 1983, JAMA 249:1743-1745. One trial a
    patient is an own choice.

    >>> share = clustered_share(RatioSums(140, 0, 140, 0, 0, 140))
    >>> share.lower, round(share.upper, 4), share.one_sided
    (0.0, 0.0212, True)
    """
    checked_level(level)
    n, m = int(sums.sum_x), sums.n_clusters
    ratio = clustered_ratio(sums, level)
    share = ratio.estimate
    if sums.sum_y == 0:
        return ClusteredShare(0.0, 0.0, zero_event_upper(m, level), float(m), n / m, True)
    if sums.sum_y == n or m in (1, n):
        effective, effect = float(m), n / m
    else:
        p = Fraction(int(sums.sum_y), n)
        variance = (ratio.std_error or 0.0) ** 2
        effect = max(1.0, variance * (n - 1) / float(p * (1 - p)))
        shrink = (t_quantile(level, n - 1) / t_quantile(level, m - 1)) ** 2
        effective = min(float(n), n / effect * shrink)
    of = wilson_limits if limits == "wilson" else beta_limits
    lower, upper = of(share * effective, effective, level)
    return ClusteredShare(share, lower, upper, effective, effect, False)
