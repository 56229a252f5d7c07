"""The model fitted to complete cases, and to every patient with what is missing filled in several times."""

from __future__ import annotations

from collections.abc import Sequence
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
    """used: the covariates in the end. complete: the fit to complete cases, with its spells; None where there is none.

    completed: fits to each imputed set; empty where nothing is missing. first_set: spells of the first of them, or the
    complete ones. places: columns by covariate.
    """

    used: tuple[Used, ...]
    remarks: tuple[Remark, ...]
    complete: CoxFit | None
    complete_spells: Spells | None
    completed: tuple[CoxFit, ...]
    first_set: Spells
    places: dict[str, list[int]]

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
        return Fits(used, remarks, fit, complete_spells, (), complete_spells, places)
    complete = None
    try:
        complete = fit_cox(complete_spells)
    except ModelError as problem:
        remarks = (*remarks, Remark("no_estimate", COMPLETE, problem.columns, int((~missing).sum())))
    completed: list[CoxFit] = []
    first_set: Spells | None = None
    for values in imputed(found, _known(rows, stratum), sets, SEED):
        spells, _ = _spells(rows, values, used, stratum, np.ones(len(rows), dtype=bool))
        first_set = first_set or spells
        completed.append(fit_cox(spells, completed[-1].coefficients if completed else None))
    assert first_set is not None
    return Fits(used, remarks, complete, complete_spells if complete else None, tuple(completed), first_set, places)


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
