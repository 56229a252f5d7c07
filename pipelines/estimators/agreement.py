"""How far two readings of the same thing agree: limits of agreement, and correlations within classes."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from pipelines.estimators.errors import CountsError
from pipelines.estimators.limits import Floats, checked_level

Form = Literal["1,1", "2,1", "3,1"]


@dataclass(frozen=True)
class Bound:
    """An estimate with its limits, in its own unit; no limits where the data do not carry them."""

    estimate: float
    lower: float | None
    upper: float | None


@dataclass(frozen=True)
class Agreement:
    """Of paired readings, in their unit: first less second. bias: mean difference. spread: its standard deviation.

    low, high: limits of agreement, between which the difference of two readings lies in 95 % of pairs.
    """

    bias: Bound
    low: Bound
    high: Bound
    spread: float
    pairs: int


def limits_of_agreement(
    first: Sequence[float] | Floats, second: Sequence[float] | Floats, *, wide: float = 1.959964, level: float = 0.95
) -> Agreement:
    """Bland and Altman's limits of agreement: mean difference -/+ `wide` standard deviations.

    Limits of the mean by Student's t with standard error s / sqrt(n); of the limits of agreement with sqrt(3 s**2 / n).
    Assumes: pairs independent, differences normal and as wide for small readings as for large ones; look at them
    against the mean. Misleads where several pairs are of one patient, or the second reader knew the first result: then
    readings agree better than they would.
    first, second: (n,) n at least 2. wide: 2 in the paper, 1.96 since. level: above 0, below 1.
    Raises: CountsError for fewer than two pairs or a missing reading; ValueError for level.
    Source: Bland & Altman 1986, Lancet 327:307-310; the standard errors: their section "Precision of estimated limits
    of agreement".

    >>> found = limits_of_agreement([10, 12, 14, 16], [11, 12, 12, 17])
    >>> found.bias.estimate, round(found.spread, 3)
    (0.0, 1.414)
    """
    from scipy.special import stdtrit

    checked_level(level)
    a, b = _readings(first), _readings(second)
    if a.shape != b.shape or a.ndim != 1:
        raise CountsError("two columns of readings of the same length are expected")
    if len(a) < 2:
        raise CountsError("agreement needs at least two pairs of readings")
    difference = a - b
    n, mean, spread = len(a), float(difference.mean()), float(difference.std(ddof=1))
    t = float(stdtrit(n - 1, 0.5 + level / 2))
    reach, wider = t * spread / math.sqrt(n), t * spread * math.sqrt(3 / n)

    def bound(middle: float, half: float) -> Bound:
        return Bound(middle, middle - half, middle + half)

    return Agreement(
        bias=bound(mean, reach),
        low=bound(mean - wide * spread, wider),
        high=bound(mean + wide * spread, wider),
        spread=spread,
        pairs=n,
    )


def intraclass_correlation(readings: npt.ArrayLike, form: Form, level: float = 0.95) -> Bound:
    """Share of the variance of single readings that is between the things read, 1 at best; may come out below 0.

    Forms: 1,1: each thing read by other readers, a reader's leaning counts as error. 2,1: the same readers, drawn from
    many, read all; their leaning counts as error (absolute agreement). 3,1: these very readers, whose leaning does not
    count (consistency). Limits: F distribution; for 2,1 Satterthwaite's approximation.
    Assumes: things independent, normal errors of one width. Misleads where the things read are all alike: then it is
    low however well readers agree; read it beside the limits of agreement.
    readings: (n, k) n things at least 2, k readings at least 2, none missing. level: above 0, below 1.
    Raises: CountsError for another shape, a missing reading, or readings that are all the same.
    Source: Shrout & Fleiss 1979, Psychol Bull 86:420-428.

    >>> judges = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
    >>> [round(intraclass_correlation(judges, form).estimate, 2) for form in ("1,1", "2,1", "3,1")]
    [0.17, 0.29, 0.71]
    """
    checked_level(level)
    table = _readings(readings)
    if table.ndim != 2 or min(table.shape) < 2:
        raise CountsError("readings are a table of at least two things by two readings")
    n, k = table.shape
    centre = table.mean()
    between = k * float(((table.mean(axis=1) - centre) ** 2).sum()) / (n - 1)
    readers = n * float(((table.mean(axis=0) - centre) ** 2).sum()) / (k - 1)
    all_squares = float(((table - centre) ** 2).sum())
    within = max(all_squares - (n - 1) * between, 0.0) / (n * (k - 1))
    error = max(all_squares - (n - 1) * between - (k - 1) * readers, 0.0) / ((n - 1) * (k - 1))
    if all_squares <= 1e-24 * max(1.0, float((table**2).sum())):
        raise CountsError("all readings are the same: there is nothing to tell apart")
    if form == "2,1":
        return _absolute(between, readers, error, n, k, level)
    noise, freedom = (within, n * (k - 1)) if form == "1,1" else (error, (n - 1) * (k - 1))
    estimate = (between - noise) / (between + (k - 1) * noise)
    if noise <= 0:
        return Bound(estimate, None, None)
    from scipy.stats import f

    seen, tail = between / noise, (1 + level) / 2
    low = seen / float(f.ppf(tail, n - 1, freedom))
    high = seen * float(f.ppf(tail, freedom, n - 1))
    return Bound(estimate, (low - 1) / (low + k - 1), (high - 1) / (high + k - 1))


def _absolute(between: float, readers: float, error: float, n: int, k: int, level: float) -> Bound:
    """Form 2,1 with its approximate limits."""
    from scipy.stats import f

    estimate = (between - error) / (between + (k - 1) * error + k * (readers - error) / n)
    if error <= 0 or not 0 < estimate < 1:
        return Bound(estimate, None, None)
    ratio = readers / error
    top = k * estimate * ratio + n * (1 + (k - 1) * estimate) - k * estimate
    bottom = (n - 1) * k**2 * estimate**2 * ratio**2 + (n * (1 + (k - 1) * estimate) - k * estimate) ** 2
    freedom = (k - 1) * (n - 1) * top**2 / bottom
    tail = (1 + level) / 2
    upper_f, lower_f = float(f.ppf(tail, n - 1, freedom)), float(f.ppf(tail, freedom, n - 1))
    rest = k * readers + (k * n - k - n) * error
    lower = n * (between - upper_f * error) / (upper_f * rest + n * between)
    upper = n * (lower_f * between - error) / (rest + n * lower_f * between)
    return Bound(estimate, lower, upper)


def _readings(values: npt.ArrayLike) -> Floats:
    table = np.asarray(values, dtype=float)
    if not np.isfinite(table).all():
        raise CountsError("a reading is missing: leave out what was not read twice")
    return table
