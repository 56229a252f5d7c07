"""The model fitted to complete cases, and to every patient with what is missing filled in several times."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from ..regression.cox import CoxFit, fit_cox
from ..regression.errors import ModelError
from ..regression.imputation import cumulative_hazard, imputed
from ..regression.pooling import pooled
from ..regression.spells import Bools, Floats, Ints, Spells
from . import design
from .measures import COMPLETE
from .preparing import Prepared, Remark, Used

SETS = 10
SEED = 20_260_101


@dataclass(frozen=True, eq=False)
class Ratio:
    """A contrast with its log ratio and limits. missing_information: share lost to missing values; 0 if none."""

    contrast: design.Contrast
    log_ratio: float
    lower: float
    upper: float
    missing_information: float = 0.0


@dataclass(frozen=True, eq=False)
class Fits:
    """used: the covariates in the end. complete: the fit to complete cases, perhaps without a level that
    none of them has with an event; None where there is none. complete_spells: all of them.

    completed: fits to each imputed set; empty where nothing is missing. first_set: spells of the first of them, or the
    complete ones. places: columns by covariate. without_gap: spells of which every covariate is known.
    """

    used: tuple[Used, ...]
    remarks: tuple[Remark, ...]
    complete: CoxFit | None
    complete_spells: Spells
    completed: tuple[CoxFit, ...]
    first_set: Spells
    places: dict[str, list[int]]
    without_gap: int

    @property
    def first_fit(self) -> CoxFit:
        """The fit that belongs to `first_set`."""
        if self.completed:
            return self.completed[0]
        assert self.complete is not None
        return self.complete

    def ratios(self, contrasts: Sequence[design.Contrast], level: float, *, of_imputed: bool) -> list[Ratio]:
        """The ratios of either analysis."""
        if not contrasts:
            return []
        weights = np.array([contrast.weights for contrast in contrasts])
        if of_imputed:
            fit = self.completed[0]
            result = pooled(
                [weights @ each.coefficients for each in self.completed],
                [_variance(weights, each) for each in self.completed],
                max(fit.events - len(fit.names), 1),
            )
            estimates, (lower, upper) = result.estimate, result.limits(level)
            lost = result.missing_information
        else:
            assert self.complete is not None
            contrasts, weights = told_by(contrasts, self.first_set.names, self.complete)
            estimates, lower, upper = limits(weights, self.complete, level)
            lost = np.zeros(len(weights))
        return [
            Ratio(contrast, *(float(value) for value in row))
            for contrast, *row in zip(contrasts, estimates, lower, upper, lost, strict=True)
        ]


def limits(weights: Floats, fit: CoxFit, level: float) -> tuple[Floats, Floats, Floats]:
    """Log ratios and their limits, from the robust variance."""
    from scipy.stats import norm

    estimates, reach = weights @ fit.coefficients, norm.ppf((1 + level) / 2) * np.sqrt(_variance(weights, fit))
    return estimates, estimates - reach, estimates + reach


def told_by(
    contrasts: Sequence[design.Contrast], names: tuple[str, ...], fit: CoxFit
) -> tuple[list[design.Contrast], Floats]:
    """The contrasts that a fit with fewer columns still tells, and their weights on its columns.

    names: of the columns that the contrasts are written for.
    """
    kept = [names.index(name) for name in fit.names]
    gone = [column for column in range(len(names)) if column not in kept]
    told = [contrast for contrast in contrasts if not contrast.weights[gone].any()]
    return told, np.array([contrast.weights[kept] for contrast in told]).reshape(len(told), len(kept))


def fit_levels_with_events(spells: Spells, fit: Callable[[Spells], CoxFit] = fit_cox) -> CoxFit | None:
    """The fit to part of the spells, where a level may have nobody, or nobody with an event.

    Such a level goes, with its spells. None where nothing is left, or a number has no ratio.
    """
    while spells.names and spells.size:
        try:
            return fit(spells)
        except ModelError as problem:
            gone = [column for column, name in enumerate(spells.names) if name in problem.columns]
            if not gone or not np.isin(spells.x[:, gone], (0.0, 1.0)).all():
                return None
            rows = (spells.x[:, gone] == 0).all(axis=1)
            left = [column for column in range(len(spells.names)) if column not in gone]
            spells = spells.with_x(spells.x[:, left], tuple(spells.names[column] for column in left)).taken(rows)
    return None


def fit_model(rows: pl.DataFrame, prepared: Prepared, sets: int = SETS) -> Fits:
    """Fit both. A covariate whose ratio cannot be found is taken out with a remark, and the fit begins again.

    rows: without the levels left out.
    Raises: ModelError where no covariate is left or no spell ends in a next session.
    """
    used, remarks = list(prepared.used), list(prepared.remarks)
    while used:
        try:
            return _fitted(rows, tuple(used), tuple(remarks), sets)
        except ModelError as problem:
            if not problem.columns:
                raise
            name = problem.columns[0].split(" ")[0]
            remarks.append(Remark("no_estimate", name, n=len(rows)))
            used = [one for one in used if one.name != name]
    raise ModelError("no covariate is left to compare by")


def _fitted(rows: pl.DataFrame, used: tuple[Used, ...], remarks: tuple[Remark, ...], sets: int) -> Fits:
    found, stratum = design.variables(rows, used), design.sites(rows)
    missing = np.any([np.isnan(variable.values) for variable in found], axis=0)
    complete_spells, places = _spells(rows, {each.name: each.values for each in found}, used, stratum, ~missing)
    if not missing.any():
        fit = fit_cox(complete_spells)
        return Fits(used, remarks, fit, complete_spells, (), complete_spells, places, len(rows))
    complete = fit_levels_with_events(complete_spells)
    if complete is None:
        remarks = (*remarks, Remark("no_estimate", COMPLETE, n=complete_spells.size))
    completed: list[CoxFit] = []
    first_set: Spells | None = None
    for values in imputed(found, _known(rows, stratum), sets, SEED):
        spells, _ = _spells(rows, values, used, stratum, np.ones(len(rows), dtype=bool))
        first_set = first_set or spells
        completed.append(fit_cox(spells, completed[-1].coefficients if completed else None))
    assert first_set is not None
    return Fits(used, remarks, complete, complete_spells, tuple(completed), first_set, places, complete_spells.size)


def _spells(
    rows: pl.DataFrame, values: dict[str, Floats], used: tuple[Used, ...], stratum: Ints, chosen: Bools
) -> tuple[Spells, dict[str, list[int]]]:
    x, names, places = design.matrix({name: column[chosen] for name, column in values.items()}, used)
    return design.spells(rows.filter(pl.Series(chosen)), x, names, stratum[chosen]), places


def _known(rows: pl.DataFrame, stratum: Ints) -> Floats:
    """What imputation must know of each spell beside the covariates: its event, its cumulative hazard and its site."""
    event = rows["had_event"].to_numpy().astype(float)
    entry = rows["entry_day"].to_numpy().astype(float)
    hazard = cumulative_hazard(rows["exit_day"].to_numpy().astype(float), np.where(entry > 0, entry, -np.inf), event)
    return np.column_stack([event, hazard, *(stratum == number for number in range(1, stratum.max() + 1))]).astype(
        float
    )


def _variance(weights: Floats, fit: CoxFit) -> Floats:
    return np.asarray(np.einsum("ij,jk,ik->i", weights, fit.covariance, weights))
