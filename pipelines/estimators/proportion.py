"""Intervals for a simple share: so many out of so many, each counted once."""

import math
from dataclasses import dataclass

from pipelines.estimators.errors import CountsError
from pipelines.estimators.limits import checked_level, normal_quantile


@dataclass(frozen=True)
class Interval:
    """An estimate with its lower and upper limit, in the unit of the estimate (a share is 0-1)."""

    estimate: float
    lower: float
    upper: float


def wilson(successes: int, n: int, level: float = 0.95) -> Interval:
    """Share with its Wilson score interval, without continuity correction.

    Estimator: successes / n; the limits are the shares that a score test at 1 - level would just not reject.
    Assumes: n independent answers, one a person. Misleads when one person gives several answers (several grafts,
    several sessions): use `clustered_ratio`; and when the unanswered differ from the answered. Its coverage is
    close to level on average over shares, so for a given share it can be a little below; `clopper_pearson` never
    is.
    successes: whole number, 0 to n. n: whole number, at least 1. level: above 0, below 1. Returns shares, 0-1.
    Raises: CountsError, for n of 0 (there is no share of nobody) or successes outside 0 to n; ValueError, for
    level.
    Source: Wilson 1927, JASA 22:209-212; Newcombe 1998, Stat Med 17:857-872, method 3.

    >>> interval = wilson(15, 148)
    >>> round(interval.lower, 4), round(interval.upper, 4)
    (0.0624, 0.1605)
    """
    _check(successes, n)
    return Interval(successes / n, *wilson_limits(successes, n, level))


def clopper_pearson(successes: int, n: int, level: float = 0.95) -> Interval:
    """Share with its exact binomial interval, equal tails.

    Estimator: successes / n; each limit is the share under which a result this far out has probability (1 - level)
    / 2. Assumes and misleads: as `wilson`, but coverage is never below level; the price is width. For 0 of n the
    upper limit is two-sided, 1 - ((1 - level) / 2) ** (1 / n); `zero_event_upper` is the one-sided bound.
    successes: whole number, 0 to n. n: whole number, at least 1. level: above 0, below 1. Returns shares, 0-1.
    Raises: CountsError, for n of 0 or successes outside 0 to n; ValueError, for level.
    Source: Clopper & Pearson 1934, Biometrika 26:404-413; Newcombe 1998, Stat Med 17:857-872, method 5.

    >>> interval = clopper_pearson(0, 20)
    >>> interval.lower, round(interval.upper, 4)
    (0.0, 0.1684)
    """
    _check(successes, n)
    lower, upper = beta_limits(successes, n, level)
    return Interval(successes / n, lower, upper)


def zero_event_upper(n: int, level: float = 0.95) -> float:
    """Highest share compatible with no event among n: the one-sided bound 1 - (1 - level) ** (1 / n).

    About 3 / n for a level of 0.95 ("rule of three"). Being one-sided it is lower than the upper limit of a
    two-sided interval; say "at most" beside it, never show it as one end of an interval.
    Assumes: n independent people. Misleads when the event was not looked for: then n is not the number examined.
    n: whole number, at least 1. level: above 0, below 1. Returns a share, 0-1.
    Raises: CountsError, for n of 0; ValueError, for level.
    Source: Hanley & Lippman-Hand 1983, JAMA 249:1743-1745.

    >>> round(zero_event_upper(100), 4)
    0.0295
    """
    _check(0, n)
    return -math.expm1(math.log(1.0 - checked_level(level)) / n)


def wilson_limits(successes: float, n: float, level: float) -> tuple[float, float]:
    """Wilson score limits; successes (0 to n) and n may be fractions, as with an effective sample size.

    Raises: ValueError, for level. Source: as `wilson`.
    """
    z = normal_quantile(level)
    centre = successes + z * z / 2.0
    spread = z * math.sqrt(successes * (n - successes) / n + z * z / 4.0)
    lower = 0.0 if successes <= 0 else (centre - spread) / (n + z * z)
    upper = 1.0 if successes >= n else (centre + spread) / (n + z * z)
    return lower, upper


def beta_limits(successes: float, n: float, level: float) -> tuple[float, float]:
    """Equal-tailed exact binomial limits by the beta distribution; successes may be a fraction (0 to n).

    Raises: ValueError, for level. Source: as `clopper_pearson`.
    """
    from scipy.special import betaincinv

    tail = (1.0 - checked_level(level)) / 2.0
    failures = n - successes
    lower = 0.0 if successes <= 0 else float(betaincinv(successes, failures + 1.0, tail))
    upper = 1.0 if failures <= 0 else float(betaincinv(successes + 1.0, failures, 1.0 - tail))
    return lower, upper


def _check(successes: int, n: int) -> None:
    if n < 1:
        raise CountsError("a share needs at least one person in the denominator")
    if not 0 <= successes <= n:
        raise CountsError(f"{successes} of {n}: expected a number from 0 to the denominator")
