"""Confidence levels, and the log(-log) limits shared by the time-to-event estimators."""

from statistics import NormalDist
from typing import Literal

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
LimitsBy = Literal["log_log", "exact_no_events", "before_last_event", "exact_all_events"]


def checked_level(level: float) -> float:
    """Return the confidence level, a share above 0 and below 1.

    >>> checked_level(0.95)
    0.95

    Raises: ValueError, when level is 0, 1 or outside (a level of 95 is a percentage, not a share).
    """
    if not 0.0 < level < 1.0:
        raise ValueError(f"level {level}: expected a share above 0 and below 1, such as 0.95")
    return level


def normal_quantile(level: float) -> float:
    """Two-sided standard normal quantile: 1.96 for a level of 0.95.

    >>> round(normal_quantile(0.95), 6)
    1.959964

    Raises: ValueError, as `checked_level`.
    """
    return NormalDist().inv_cdf(0.5 + checked_level(level) / 2.0)


def log_log_limits(share: Floats, std_error: Floats, level: float) -> tuple[Floats, Floats]:
    """Pointwise limits for a share, symmetric on the scale log(-log(share)), so always inside 0-1.

    share: estimates, 0-1. std_error: of the share itself, same shape, same unit.
    Returns lower and upper, same shape; not a number where the share is 0 or 1, on which the scale is undefined (R
    `survfit` with conf.type="log-log" does the same). What may be said there is up to the caller. Misleads with
    fewer than about five events: the scale repairs skewness, not a variance guessed from so few.
    Raises: ValueError, as `checked_level`.
    Source: Kalbfleisch & Prentice 1980, The Statistical Analysis of Failure Time Data, section 1.3; Borgan &
    Liestol 1990, Scand J Stat 17:35-41.
    """
    return log_log_band(share, std_error, normal_quantile(level))


def log_log_band(share: Floats, std_error: Floats, critical: float) -> tuple[Floats, Floats]:
    """As `log_log_limits`, with so many standard errors to either side on the scale log(-log(share))."""
    lower = np.full(share.shape, np.nan)
    upper = np.full(share.shape, np.nan)
    inside = (share > 0.0) & (share < 1.0)
    log_share = np.log(share[inside])
    # d log(-log p) / dp = 1 / (p log p); log p < 0, so the minus sign keeps the spread positive
    spread = -critical * std_error[inside] / (share[inside] * log_share)
    lower[inside] = np.exp(log_share * np.exp(spread))
    upper[inside] = np.exp(log_share * np.exp(-spread))
    return lower, upper
