"""Which covariates the model takes, decided by rules before anything is fitted."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from ..next_session_model.covariates import Covariate
from ..next_session_model.preparing import KNOTS, LEAST_KNOWN, Remark, Used, pooled_levels
from ..regression.spline import default_knots


def prepared(rows: pl.DataFrame, known: Sequence[Covariate], floor: int) -> tuple[list[Used], list[Remark]]:
    """The covariates used of these areas, and what was done to them.

    Left out: a covariate known for fewer than half of the areas, or alike in all. A level with fewer than floor areas
    is put together with the other small ones. A curve that takes too few values is a straight line.
    """
    used: list[Used] = []
    remarks: list[Remark] = []
    for covariate in known:
        told = rows[covariate.name].drop_nulls()
        if len(told) < LEAST_KNOWN * len(rows):
            remarks.append(Remark("mostly_missing", covariate.name, n=len(rows) - len(told)))
        elif told.n_unique() < 2:
            remarks.append(Remark("one_value", covariate.name, n=len(told)))
        elif covariate.kind == "levels":
            _levels(covariate, told, floor, used, remarks)
        else:
            used.append(_number(covariate, told, remarks))
    return used, remarks


def _number(covariate: Covariate, told: pl.Series, remarks: list[Remark]) -> Used:
    values = told.to_numpy().astype(float)
    low, middle, high = (float(value) for value in np.quantile(values, (0.05, 0.5, 0.95)))
    knots = default_knots(values, KNOTS) if covariate.kind == "curve" else ()
    if covariate.kind == "curve" and len(knots) < 3:
        remarks.append(Remark("straight", covariate.name, n=len(told)))
        knots = ()
    return Used(covariate, knots=knots, reference=round(middle), low=low, high=high)


def _levels(covariate: Covariate, told: pl.Series, floor: int, used: list[Used], remarks: list[Remark]) -> None:
    found = dict(told.value_counts().iter_rows())
    # an area counts as an event: no level is small for lack of grafts that grew
    tallies = {level: (found[level], found[level]) for level in covariate.levels if level in found}
    groups = pooled_levels(list(tallies), tallies, (), floor)
    if len(groups) < 2 or sum(tallies[level][0] for level in groups[-1]) < 2:
        remarks.append(Remark("one_value", covariate.name, n=len(told)))
        return
    for group in groups:
        if len(group) > 1:
            remarks.append(Remark("pooled", covariate.name, tuple(group), sum(tallies[level][0] for level in group)))
    names = ["+".join(group) for group in groups]
    sizes = [sum(tallies[level][0] for level in group) for group in groups]
    group_of = {level: name for name, group in zip(names, groups, strict=True) for level in group}
    first = group_of.get(covariate.reference or "") or names[int(np.argmax(sizes))]
    ordered = (first, *(name for name in names if name != first))
    counts = {name: (size, size) for name, size in zip(names, sizes, strict=True)}
    used.append(Used(covariate, ordered, group_of, counts=counts))
