"""A model fitted to complete cases, and to every session with what is missing filled in several times."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import polars as pl

from ..next_session_model import design
from ..next_session_model.measures import COMPLETE
from ..next_session_model.preparing import Prepared, Remark, Used
from ..regression.errors import ModelError, SeparationError
from ..regression.imputation import imputed
from ..regression.observations import Observations
from ..regression.pooling import pooled
from ..regression.spells import Bools, Floats, Ints
from .covariates import SITE

SETS = 10
SEED = 20_260_102

FitFunction = Callable[[Observations], Any]
"""Returns a fit with names, slopes (p,), slope_covariance (p, p) and n_clusters."""


@dataclass(frozen=True)
class Effect:
    """An estimate with limits. missing_information: share of what could be known that is lost to gaps."""

    estimate: float
    lower: float
    upper: float
    missing_information: float = 0.0


@dataclass(frozen=True, eq=False)
class Analysis:
    """One way with gaps: several sets of observations with their fits; one where gaps are left out.

    contrasts: those to show that these fits tell. weights: (p,) the columns that each moves. places: columns of each
    covariate.
    """

    sets: tuple[Observations, ...]
    fits: tuple[Any, ...]
    contrasts: tuple[design.Contrast, ...]
    weights: tuple[Floats, ...]
    places: Mapping[str, list[int]]

    def effects(self, level: float) -> list[Effect]:
        """Every contrast with its limits."""
        weights = np.array(self.weights).reshape(len(self.weights), len(self.fits[0].names))
        variances = [np.einsum("ij,jk,ik->i", weights, fit.slope_covariance, weights) for fit in self.fits]
        return self.joined([weights @ fit.slopes for fit in self.fits], variances, level)

    def joined(self, estimates: Sequence[Floats], variances: Sequence[Floats], level: float) -> list[Effect]:
        """Estimates, one array a set, with limits by Student's t for the number of patients; sets by Rubin's rules."""
        from scipy.stats import t

        freedom = max(self.fits[0].n_clusters - len(self.fits[0].names) - 1, 1)
        if len(self.fits) == 1:
            reach = t.ppf((1 + level) / 2, freedom) * np.sqrt(variances[0])
            rows = (estimates[0], estimates[0] - reach, estimates[0] + reach, np.zeros(len(reach)))
        else:
            result = pooled(estimates, variances, freedom)
            rows = (result.estimate, *result.limits(level), result.missing_information)
        return [Effect(*(float(value) for value in row)) for row in zip(*rows, strict=True)]


@dataclass(frozen=True, eq=False)
class Fits:
    """used: the covariates in the end. complete: None where it cannot be fitted. filled: None where nothing is
    missing. without_gap: sessions of which every covariate is known."""

    used: tuple[Used, ...]
    remarks: tuple[Remark, ...]
    complete: Analysis | None
    filled: Analysis | None
    without_gap: int

    @property
    def main(self) -> Analysis:
        """The analysis told first."""
        found = self.filled or self.complete
        assert found is not None
        return found


def without_small(plan: Prepared, floor: int) -> Prepared:
    """The plan without groups that are too small even after pooling: their sessions are left out, with a remark.

    Sites stay as they are, since they are not shown.
    """
    used: list[Used] = []
    remarks, left_out = list(plan.remarks), dict(plan.left_out)
    for one in plan.used:
        counts, group_of = one.counts or {}, one.group_of or {}
        small = [group for group in one.groups if counts[group][0] < floor]
        if not small or one.name == SITE:
            used.append(one)
            continue
        groups = tuple(group for group in one.groups if group not in small)
        if len(groups) < 2:
            remarks.append(Remark("one_value", one.name, n=sum(counts[group][0] for group in one.groups)))
            continue
        if one.groups[0] in small:
            first = max(groups, key=lambda group: counts[group][0])
            groups = (first, *(group for group in groups if group != first))
        levels = tuple(level for level, group in group_of.items() if group in small)
        left_out[one.name] = (*left_out.get(one.name, ()), *levels)
        remarks.append(Remark("level_left_out", one.name, levels, sum(counts[group][0] for group in small)))
        kept = {level: group for level, group in group_of.items() if group in groups}
        used.append(replace(one, groups=groups, group_of=kept, counts={group: counts[group] for group in groups}))
    return Prepared(tuple(used), tuple(remarks), left_out)


def fit_sessions(rows: pl.DataFrame, plan: Prepared, outcome: Floats, fit: FitFunction, sets: int = SETS) -> Fits:
    """Fit both. A covariate that has no estimate is taken out with a remark, and the fit begins again.

    outcome: (n,) of each row.
    Raises: ModelError where no covariate is left or outcomes do not differ; SeparationError where ordinary logistic
    regression has no finite answer.
    """
    used, remarks = list(plan.used), list(plan.remarks)
    while any(one.name != SITE for one in used):
        try:
            return _fitted(rows, tuple(used), tuple(remarks), outcome, fit, sets)
        except SeparationError:
            raise
        except ModelError as problem:
            if not problem.columns:
                raise
            name = problem.columns[0].split(" ")[0]
            remarks.append(Remark("no_estimate", name, n=len(rows)))
            used = [one for one in used if one.name != name]
    raise ModelError("no covariate is left to compare by")


def _fitted(
    rows: pl.DataFrame,
    used: tuple[Used, ...],
    remarks: tuple[Remark, ...],
    outcome: Floats,
    fit: FitFunction,
    sets: int,
) -> Fits:
    found = design.variables(rows, used)
    known = ~np.any([np.isnan(variable.values) for variable in found], axis=0)
    _, cluster = np.unique(rows["patient_key"].to_numpy().astype(str), return_inverse=True)
    x, names, places = design.matrix({each.name: each.values for each in found}, used)
    if known.all():
        seen = Observations(x, names, outcome, cluster)
        return Fits(used, remarks, _analysis((seen,), fit, used, names, places), None, len(rows))
    completed = tuple(
        Observations(design.matrix(values, used)[0], names, outcome, cluster)
        for values in imputed(found, outcome[:, None], sets, SEED)
    )
    filled = _analysis(completed, fit, used, names, places)
    complete: Analysis | None = None
    try:
        complete = _complete(x, names, outcome, cluster, known, fit, used, places)
    except ModelError:
        remarks = (*remarks, Remark("no_estimate", COMPLETE, n=int(known.sum())))
    return Fits(used, remarks, complete, filled, int(known.sum()))


def _complete(
    x: Floats,
    names: tuple[str, ...],
    outcome: Floats,
    cluster: Ints,
    known: Bools,
    fit: FitFunction,
    used: Sequence[Used],
    places: Mapping[str, list[int]],
) -> Analysis:
    """The complete cases, without levels that none of them has; where only some fits are finite, also without the
    sessions of a level in which nobody, or everybody, had the event."""
    rows = np.flatnonzero(known)
    while True:
        told = np.flatnonzero(x[rows].std(axis=0) > 0) if len(rows) else np.arange(0)
        seen = Observations(x[rows][:, told], tuple(names[place] for place in told), outcome[rows], cluster[rows])
        try:
            return _analysis((seen,), fit, used, names, places)
        except SeparationError as problem:
            column = x[rows][:, names.index(problem.columns[0])]
            if not np.isin(column, (0.0, 1.0)).all():
                raise
            rows = rows[column == 0]


def _analysis(
    sets: tuple[Observations, ...],
    fit: FitFunction,
    used: Sequence[Used],
    names: tuple[str, ...],
    places: Mapping[str, list[int]],
) -> Analysis:
    """names: of all columns, of which the sets may lack some."""
    kept = [names.index(name) for name in sets[0].names]
    gone = [place for place in range(len(names)) if place not in kept]
    told = [
        contrast
        for contrast in design.contrasts(used)
        if contrast.covariate != SITE and not contrast.weights[gone].any()
    ]
    return Analysis(
        sets,
        tuple(fit(seen) for seen in sets),
        tuple(told),
        tuple(contrast.weights[kept] for contrast in told),
        {name: [kept.index(place) for place in own if place in kept] for name, own in places.items()},
    )
