"""Is there a density above which yield falls? A line with one bend, and how sure it is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..regression.errors import ModelError
from ..regression.spells import Floats, Ints
from .quasi_binomial import fit_quasi_binomial

_PLACES = 31
_DRAWS, _AT_ONCE, _SAMPLES = 1_000, 50, 500
_SMALL_P = 0.05


@dataclass(frozen=True)
class Bend:
    """at: where the line bends, with limits lower and upper; low, high: the range in which a bend was looked for.

    p: of no bend anywhere in the range. below, above: change of the log odds per unit before and after the bend, each
    with limits that take the bend's place as known. n, n_clusters: areas, patients.
    """

    at: float
    lower: float
    upper: float
    low: float
    high: float
    p: float
    below: tuple[float, float, float]
    above: tuple[float, float, float]
    n: int
    n_clusters: int

    @property
    def found(self) -> bool:
        """Whether the records speak for a bend after which yield falls: p below 0.05, and a slope below 0 after it."""
        return self.p < _SMALL_P and self.above[2] < 0 and self.above[0] < self.below[0]


def fit_bend(
    value: Floats,
    others: Floats,
    growing: Floats,
    placed: Floats,
    cluster: Ints,
    *,
    seed: int = 2026,
    level: float = 0.95,
) -> Bend:
    """Log odds that are a straight line up to some value and another straight line from there on.

    Estimator: of 31 places between the 10th and the 90th percentile of the value, the one with the least Pearson
    distance; the model is `fit_quasi_binomial` with the other columns.
    p of no bend: the largest score statistic of a bend over all places, against 1000 draws of it with the patients'
    own contributions multiplied by random normal numbers, so that looking at many places is allowed for.
    Limits of the place: percentile bootstrap of 500 samples of patients, each time one Newton step from the fit; within
    the range that was looked at, so that a limit at its end means "or beyond".
    Assumes: as `fit_quasi_binomial`, and one bend at most. Misleads where yield falls smoothly: then a bend is found
    somewhere in the middle of the fall. Without evidence of a bend its place means nothing: do not show it.
    value: (n,). others: (n, k) with the intercept first. growing, placed, cluster: as `fit_quasi_binomial`.
    Raises: ModelError where the value takes fewer than three places in its range, or as `fit_quasi_binomial`.
    Source: Muggeo 2003, Stat Med 22:3055-3071 (the model); Hansen 1996, Econometrica 64:413-430 (p); Efron & Tibshirani
    1993, An Introduction to the Bootstrap, chapter 13.
    """
    low, high = (float(end) for end in np.quantile(value, (0.10, 0.90)))
    if len(np.unique(value[(value >= low) & (value <= high)])) < 3:
        raise ModelError("too few different values to look for a bend")
    places = np.linspace(low, high, _PLACES)
    straight = np.column_stack([others, value])
    bent = np.clip(value[:, None] - places, 0, None)
    random = np.random.default_rng(seed)
    p = _no_bend(straight, bent, growing, placed, cluster, random)
    fits = []
    for column in bent.T:
        fit = fit_quasi_binomial(np.column_stack([straight, column]), growing, placed, cluster)
        variance = placed * fit.share * (1 - fit.share)
        fits.append((float(((growing - placed * fit.share) ** 2 / variance).sum()), fit))
    best = int(np.argmin([distance for distance, _ in fits]))
    fit = fits[best][1]
    found = _bootstrap(straight, bent, fit.share, growing, placed, cluster, random)
    lower, upper = np.quantile(places[found], ((1 - level) / 2, (1 + level) / 2))
    from scipy.special import stdtrit

    t = float(stdtrit(fit.n_clusters - 1, 0.5 + level / 2))
    slopes = []
    for weights in (np.eye(len(fit.coefficients))[-2], np.eye(len(fit.coefficients))[-2:].sum(axis=0)):
        slope = float(weights @ fit.coefficients)
        reach = t * float(np.sqrt(weights @ fit.covariance @ weights))
        slopes.append((slope, slope - reach, slope + reach))
    at = float(places[best])
    ends = min(float(lower), at), max(float(upper), at)
    return Bend(at, *ends, low, high, p, slopes[0], slopes[1], fit.n, fit.n_clusters)


def _no_bend(
    straight: Floats, bent: Floats, growing: Floats, placed: Floats, cluster: Ints, random: np.random.Generator
) -> float:
    """How often chance alone gives a bend as strong as the strongest seen."""
    fit = fit_quasi_binomial(straight, growing, placed, cluster)
    beside = _beside(bent, straight, placed * fit.share * (1 - fit.share))
    scores = _by_patient(beside * (growing - placed * fit.share)[:, None], cluster)
    size = np.maximum((scores**2).sum(axis=0), 1e-300)
    seen = float((scores.sum(axis=0) ** 2 / size).max())
    larger = 0
    for _ in range(_DRAWS // _AT_ONCE):
        drawn = random.normal(size=(_AT_ONCE, len(scores))) @ scores
        larger += int(((drawn**2 / size).max(axis=1) >= seen).sum())
    return (1 + larger) / (1 + _DRAWS)


def _bootstrap(
    straight: Floats,
    bent: Floats,
    share: Floats,
    growing: Floats,
    placed: Floats,
    cluster: Ints,
    random: np.random.Generator,
) -> Ints:
    """Place of the bend in samples of patients: least squares of the working response on what a bend adds.

    The other columns are taken out once, for all samples: a bend that is free of them does not feel, to first order,
    that they would be fitted anew.
    """
    variance = placed * share * (1 - share)
    response = np.log(share / (1 - share)) + (growing - placed * share) / variance
    rest = _beside(np.column_stack([bent, response]), straight, variance)
    added, left = rest[:, :-1], rest[:, -1:]
    products = _by_patient(np.column_stack([added * left, added**2]) * variance[:, None], cluster)
    m, places = len(products), bent.shape[1]
    found = np.empty(_SAMPLES, dtype=np.int64)
    for draw in range(_SAMPLES):
        sums = random.multinomial(m, np.full(m, 1 / m)) @ products
        found[draw] = int((sums[:places] ** 2 / np.maximum(sums[places:], 1e-12)).argmax())
    return found


def _beside(columns: Floats, straight: Floats, weight: Floats) -> Floats:
    """What of columns the straight ones do not explain, by weighted least squares."""
    weighted = straight * weight[:, None]
    return np.asarray(columns - straight @ np.linalg.solve(weighted.T @ straight, weighted.T @ columns))


def _by_patient(rows: Floats, cluster: Ints) -> Floats:
    patients, place = np.unique(cluster, return_inverse=True)
    sums = np.zeros((len(patients), rows.shape[1]))
    np.add.at(sums, place, rows)
    return sums
