"""Beta-binomial: a share whose true value differs from patient to patient, and how many patients fall below a yield."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from pipelines.estimators.counts import Ints
from pipelines.estimators.errors import CountsError
from pipelines.estimators.limits import Floats, checked_level
from pipelines.estimators.proportion import beta_limits

_LEAST, _MOST = math.log(1e-6), math.log(1e3)
"""Where the spread theta = rho / (1 - rho) is looked for, on the log scale: rho from a millionth to 0.999."""
_NO_SPREAD = math.log(1e-9)
"""Stands for theta = 0 on the log scale; the likelihood is the binomial's there to all digits."""
_GRID = 41


@dataclass(frozen=True)
class BetaBinomialEstimate:
    """One number with its limits; None where the data cannot tell it."""

    estimate: float | None
    lower: float | None = None
    upper: float | None = None


@dataclass(frozen=True)
class BetaBinomialFit:
    """mean: mean yield of a patient, 0-1. correlation: between two grafts of one patient, 0-1.

    below: for each stated yield, the share of patients whose true yield lies below it. log_likelihood: without the
    binomial coefficients. n_clusters: patients.
    """

    mean: BetaBinomialEstimate
    correlation: BetaBinomialEstimate
    below: tuple[BetaBinomialEstimate, ...]
    log_likelihood: float
    n_clusters: int


def beta_binomial(
    growing: Sequence[int] | Ints, placed: Sequence[int] | Ints, below: Sequence[float] = (), level: float = 0.95
) -> BetaBinomialFit:
    """Maximum likelihood of a beta-binomial: growing of placed in each cluster, whose true yields follow a beta law.

    Estimator: mean m and correlation rho = theta / (1 + theta) that make the data likeliest, with theta >= 0; where no
    more spread is seen than chance gives, rho is 0 and the fit is the binomial. The share of patients below a yield c
    is the beta law's own, so that it is free of the noise of counting, of which raw shares are full. Limits: profile
    likelihood, that is all values for which some fit is not worse than the best by more than t**2 / 2, with t from
    Student's t on (clusters - 1) degrees of freedom instead of the normal law (own choice, wider for few patients).
    Where all grafts of everybody grew, or none: the mean is 1 or 0 with limits that take each patient as one trial, as
    `clustered_ratio` has them; the correlation and the shares below cannot be told.
    Assumes: clusters independent, one beta law, no news of yield in how many were placed. The mean is of patients,
    so it differs from the ratio of sums where patients with many grafts counted fare otherwise. Misleads where a few
    patients fail altogether while all others do well: a beta law holds that badly. Under 20 patients the shares below
    are little more than the law's shape. An error of counting is taken for a difference between patients.
    growing, placed: (m,) whole numbers, 0 <= growing <= placed, placed >= 1. below: yields above 0 and below 1.
    level: above 0, below 1.
    Raises: CountsError for fewer than two clusters or counts outside 0 to placed (leave those out, and say how many).
    ValueError for level or a yield of 0, 1 or outside.
    Source: Skellam 1948, J R Stat Soc B 10:257-261; Williams 1975, Biometrics 31:949-952; the sums: Smith 1983, Appl
    Stat 32:196-204 (AS 189).

    >>> fit = beta_binomial([9, 10, 5, 10, 8, 10], [10] * 6, below=[0.8])
    >>> [round(number.estimate, 2) for number in (fit.mean, fit.correlation, fit.below[0])]
    [0.87, 0.22, 0.24]
    """
    checked_level(level)
    if any(not 0.0 < bound < 1.0 for bound in below):
        raise ValueError("a yield to fall below is above 0 and below 1")
    y, n = _checked(growing, placed)
    m = len(y)
    if y.sum() in (0, n.sum()):
        lower, upper = beta_limits(float(m if y.sum() else 0), m, level)
        same = BetaBinomialEstimate(float(y.sum() > 0), lower, upper)
        untold = BetaBinomialEstimate(None)
        return BetaBinomialFit(same, untold, tuple(untold for _ in below), 0.0, m)
    likelihood = _Likelihood(y, n)
    mean, log_theta, best = _best(likelihood)
    from scipy.special import stdtrit

    cut = best - float(stdtrit(m - 1, 0.5 + level / 2)) ** 2 / 2
    region = _Region(likelihood, cut, mean, log_theta)
    return BetaBinomialFit(
        mean=BetaBinomialEstimate(mean, *region.ends(lambda share, _: share)),
        correlation=BetaBinomialEstimate(
            _rho(log_theta), _rho(region.low), 1.0 if region.high >= _MOST else _rho(region.high)
        ),
        below=tuple(
            BetaBinomialEstimate(_below(mean, log_theta, bound), *region.ends(_falls_below(bound))) for bound in below
        ),
        log_likelihood=best,
        n_clusters=m,
    )


class _Likelihood:
    """The log-likelihood by mean and log theta, from how many clusters reach each count: no sum over clusters."""

    def __init__(self, y: Ints, n: Ints) -> None:
        self._step = np.arange(int(n.max()), dtype=float)
        self._grew, self._failed, self._placed = (_reaching(counts, len(self._step)) for counts in (y, n - y, n))

    def __call__(self, mean: float, log_theta: float) -> float:
        reach = self._step * _theta(log_theta)
        return float(
            self._grew @ np.log(mean + reach)
            + self._failed @ np.log(1.0 - mean + reach)
            - self._placed @ np.log1p(reach)
        )

    def likeliest_mean(self, log_theta: float) -> float:
        """The likelihood is concave in the mean, so its slope has one zero."""
        from scipy.optimize import brentq

        reach = self._step * _theta(log_theta)

        def slope(mean: float) -> float:
            return float((self._grew / (mean + reach)).sum() - (self._failed / (1.0 - mean + reach)).sum())

        return float(brentq(slope, 1e-12, 1.0 - 1e-12, xtol=1e-14, rtol=1e-14))

    def profile(self, log_theta: float) -> float:
        return self(self.likeliest_mean(log_theta), log_theta)


class _Region:
    """All pairs of mean and theta that are not much worse than the best: from which every limit is read."""

    def __init__(self, likelihood: _Likelihood, cut: float, mean: float, log_theta: float) -> None:
        self._likelihood, self._cut = likelihood, cut
        inside = max(log_theta, _LEAST)
        self.low = _edge(lambda at: likelihood.profile(at) - cut, inside, _LEAST)
        self.high = _edge(lambda at: likelihood.profile(at) - cut, inside, _MOST)
        if self.low <= _LEAST:
            self.low = _NO_SPREAD
        self._start = (mean, log_theta)
        self._known: dict[float, tuple[float, float]] = {}

    def ends(self, told: Callable[[float, float], float]) -> tuple[float, float]:
        """Least and greatest value over the region of a function of mean and log theta that is monotone in the mean."""
        from scipy.optimize import minimize_scalar

        grid = np.linspace(max(self.low, _LEAST - 1.0), self.high, _GRID)
        values = [sorted(told(mean, at) for mean in self._means(at)) for at in grid]
        found = []
        for sign, column in ((1.0, 0), (-1.0, 1)):
            place = int(np.argmin([sign * value[column] for value in values]))
            bounds = (grid[max(place - 1, 0)], grid[min(place + 1, _GRID - 1)])

            def at_end(at: float, sign: float = sign) -> float:
                return min(sign * told(mean, at) for mean in self._means(at))

            polished = minimize_scalar(at_end, bounds=bounds, method="bounded", options={"xatol": 1e-5})
            found.append(min(float(polished.fun), sign * values[place][column]) * sign)
        best = told(*self._start)
        return min(found[0], best), max(found[1], best)

    def _means(self, log_theta: float) -> tuple[float, float]:
        """The least and greatest mean inside the region at this theta."""
        if log_theta in self._known:
            return self._known[log_theta]
        middle = self._likelihood.likeliest_mean(log_theta)

        def above(mean: float) -> float:
            return self._likelihood(mean, log_theta) - self._cut

        self._known[log_theta] = _edge(above, middle, 1e-12), _edge(above, middle, 1.0 - 1e-12)
        return self._known[log_theta]


def _edge(above: Callable[[float], float], inside: float, end: float) -> float:
    """Where the function falls through 0 between a place inside and an end; the end where it does not."""
    from scipy.optimize import brentq

    if above(end) >= 0:
        return end
    if above(inside) <= 0:
        return inside
    return float(brentq(above, inside, end, xtol=1e-10, rtol=1e-10))


def _best(likelihood: _Likelihood) -> tuple[float, float, float]:
    """Mean, log theta and log-likelihood of the best fit; theta of 0 where nothing above it does better."""
    from scipy.optimize import minimize_scalar

    grid = np.linspace(_LEAST, _MOST, _GRID)
    place = int(np.argmax([likelihood.profile(at) for at in grid]))
    bounds = (grid[max(place - 1, 0)], grid[min(place + 1, _GRID - 1)])
    found = minimize_scalar(
        lambda at: -likelihood.profile(at), bounds=bounds, method="bounded", options={"xatol": 1e-8}
    )
    log_theta = float(found.x)
    flat = likelihood.profile(_NO_SPREAD)
    if flat >= -float(found.fun) - 1e-9:
        log_theta = _NO_SPREAD
    mean = likelihood.likeliest_mean(log_theta)
    return mean, log_theta, likelihood(mean, log_theta)


def _theta(log_theta: float) -> float:
    return 0.0 if log_theta <= _NO_SPREAD else math.exp(log_theta)


def _rho(log_theta: float) -> float:
    theta = _theta(log_theta)
    return theta / (1.0 + theta)


def _below(mean: float, log_theta: float, bound: float) -> float:
    """Share of the beta law below a yield."""
    from scipy.special import betainc

    theta = _theta(log_theta)
    if theta == 0.0:
        return float(mean < bound)
    return float(betainc(mean / theta, (1.0 - mean) / theta, bound))


def _falls_below(bound: float) -> Callable[[float, float], float]:
    return lambda mean, log_theta: _below(mean, log_theta, bound)


def _reaching(counts: Ints, steps: int) -> Floats:
    """How many clusters count more than 0, 1, 2, ..."""
    have = np.bincount(counts, minlength=steps + 1)
    return np.asarray(len(counts) - np.cumsum(have)[:steps], dtype=float)


def _checked(growing: Sequence[int] | Ints, placed: Sequence[int] | Ints) -> tuple[Ints, Ints]:
    y, n = np.asarray(growing), np.asarray(placed)
    if len(y) != len(n):
        raise CountsError("growing and placed differ in length")
    if len(y) < 2:
        raise CountsError("a beta-binomial needs at least two clusters")
    if (y != np.rint(y)).any() or (n != np.rint(n)).any():
        raise CountsError("growing and placed are whole numbers")
    if (n < 1).any() or (y < 0).any() or (y > n).any():
        raise CountsError("growing lies between 0 and placed, and placed is at least 1")
    return y.astype(np.int64), n.astype(np.int64)
