"""The model fitted to every area with gaps filled in several times, and to areas without a gap."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from ..next_session_model.design import matrix, variables
from ..next_session_model.preparing import Used
from ..regression.errors import ModelError
from ..regression.imputation import imputed
from ..regression.pooling import pooled
from ..regression.spells import Bools, Floats, Ints
from .quasi_binomial import QuasiBinomialFit, fit_quasi_binomial, shares

SETS = 10
SEED = 20_260_102
_LEAST_FOR_COLUMNS = 10
"""Complete cases are fitted where there are so many areas a column (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class Told:
    """A number with its limits."""

    estimate: float
    lower: float
    upper: float


@dataclass(frozen=True, eq=False)
class GraftFits:
    """used: the covariates. sets: values by covariate in each filled-in set, one set where nothing is missing.

    fits: to each set. complete: to areas without a gap; None where nothing is missing or they are too few.
    whole: (n,) whether an area has no gap. places: columns of each covariate, the intercept not counted.
    """

    used: tuple[Used, ...]
    growing: Floats
    placed: Floats
    cluster: Ints
    sets: tuple[Mapping[str, Floats], ...]
    fits: tuple[QuasiBinomialFit, ...]
    complete: QuasiBinomialFit | None
    whole: Bools
    places: Mapping[str, list[int]]

    @property
    def without_gap(self) -> int:
        """Areas of which everything is known."""
        return int(self.whole.sum())

    def areas_in(self, name: str, level: str, *, of_imputed: bool) -> int | None:
        """Areas known to be of a level, or, among those without a gap, of it; None for a number."""
        one = next(one for one in self.used if one.name == name)
        if not one.groups or one.counts is None:
            return None
        if of_imputed:
            return one.counts[level][0]
        return int((self.sets[0][name][self.whole] == one.groups.index(level)).sum())

    def ratio(self, weights: Floats, level: float, *, of_imputed: bool = True) -> Told:
        """Odds ratio of a contrast. weights: (k,) of the coefficients without the intercept."""
        full = np.concatenate([[0.0], weights])
        fits = self.fits if of_imputed else (self.complete,)
        found = [
            (float(full @ fit.coefficients), float(full @ fit.covariance @ full)) for fit in fits if fit is not None
        ]
        told = _joined(found, (self.fits[0] if of_imputed else fits[0] or self.fits[0]).n_clusters, level)
        return Told(*(float(np.exp(value)) for value in (told.estimate, told.lower, told.upper)))

    def yield_at(self, name: str, value: float, level: float) -> Told:
        """Yield over all areas as they are, had each this value: placed grafts weigh alike."""
        found = []
        weight = self.placed / self.placed.sum()
        for values, fit in zip(self.sets, self.fits, strict=True):
            moved = {**values, name: np.full(len(self.placed), value)}
            x = _with_intercept(matrix(moved, self.used)[0])
            share = shares(x @ fit.coefficients)
            mean = float(weight @ share)
            slope = (weight * share * (1 - share)) @ x / (mean * (1 - mean))
            found.append((float(np.log(mean / (1 - mean))), float(slope @ fit.covariance @ slope)))
        told = _joined(found, self.fits[0].n_clusters, level)
        return Told(*(float(shares(np.array(value))) for value in (told.estimate, told.lower, told.upper)))


def fit_graft_model(rows: pl.DataFrame, used: Sequence[Used], sets: int = SETS) -> GraftFits:
    """Fit the model to all areas, with gaps filled in, and to those without a gap.

    Gaps are filled in area by area (`regression.imputation`), with the share grown and what was placed among the
    predictors: two areas of one patient may so get two values of what is the patient's.
    Raises: ModelError as `fit_quasi_binomial`.
    """
    growing, placed = (rows[name].to_numpy().astype(float) for name in ("growing", "placed"))
    _, cluster = np.unique(rows["patient_key"].to_numpy().astype(str), return_inverse=True)
    columns = variables(rows, used)
    gap = np.zeros(len(rows), dtype=bool)
    for column in columns:
        gap |= np.isnan(column.values)
    known = np.column_stack([np.log((growing + 0.5) / np.maximum(placed - growing + 0.5, 0.5)), np.log(placed)])
    filled: list[Mapping[str, Floats]]
    if gap.any():
        filled = list(imputed(columns, known, sets, SEED))
    else:
        filled = [{column.name: column.values for column in columns}]
    fits = []
    for values in filled:
        x, _, places = matrix(values, used)
        fits.append(fit_quasi_binomial(_with_intercept(x), growing, placed, cluster))
    whole = ~gap
    complete = None
    if gap.any() and whole.sum() >= _LEAST_FOR_COLUMNS * len(fits[0].coefficients):
        x = _with_intercept(matrix({column.name: column.values[whole] for column in columns}, used)[0])
        try:
            complete = fit_quasi_binomial(x, growing[whole], placed[whole], cluster[whole])
        except ModelError:  # a level that no area without a gap has
            complete = None
    return GraftFits(tuple(used), growing, placed, cluster, tuple(filled), tuple(fits), complete, whole, places)


def _joined(found: Sequence[tuple[float, float]], clusters: int, level: float) -> Told:
    """One answer from an estimate and a variance of each set."""
    if len(found) == 1:
        from scipy.special import stdtrit

        ((estimate, variance),) = found
        reach = float(stdtrit(clusters - 1, 0.5 + level / 2)) * float(np.sqrt(variance))
        return Told(estimate, estimate - reach, estimate + reach)
    told = pooled(
        [np.array([estimate]) for estimate, _ in found], [np.array([variance]) for _, variance in found], clusters - 1
    )
    lower, upper = told.limits(level)
    return Told(float(told.estimate[0]), float(lower[0]), float(upper[0]))


def _with_intercept(x: Floats) -> Floats:
    return np.column_stack([np.ones(len(x)), x])
