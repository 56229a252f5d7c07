"""From records to the columns of the model, and from its coefficients to ratios that can be read."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from ..regression.imputation import Variable
from ..regression.spells import Floats, Ints, Spells
from ..regression.spline import spline_basis
from .preparing import Used


@dataclass(frozen=True, eq=False)
class Contrast:
    """A ratio to show: a level against another. weights: (p,) of the log ratios that it adds up."""

    covariate: str
    level: str
    against: str
    weights: Floats


def variables(rows: pl.DataFrame, used: Sequence[Used]) -> list[Variable]:
    """The covariates as numbers or places of groups, not-a-number where missing."""
    found = []
    for one in used:
        column = rows[one.name]
        if one.groups:
            assert one.group_of is not None
            places = {level: one.groups.index(group) for level, group in one.group_of.items()}
            values = column.replace_strict(places, default=None, return_dtype=pl.Float64)
            found.append(Variable(one.name, _filled(values), len(one.groups)))
        else:
            found.append(Variable(one.name, _filled(column.cast(pl.Float64))))
    return found


def matrix(values: Mapping[str, Floats], used: Sequence[Used]) -> tuple[Floats, tuple[str, ...], dict[str, list[int]]]:
    """The columns, their names, and the places of each covariate's columns."""
    columns: list[Floats] = []
    names: list[str] = []
    places: dict[str, list[int]] = {}
    for one in used:
        part = _columns(values[one.name], one)
        places[one.name] = list(range(len(names), len(names) + part.shape[1]))
        labels = one.groups[1:] or [str(number) for number in range(1, part.shape[1] + 1)]
        names += [f"{one.name} {label}" for label in labels]
        columns.append(part)
    n = len(next(iter(values.values()))) if values else 0
    return (np.column_stack(columns) if columns else np.zeros((n, 0))), tuple(names), places


def contrasts(used: Sequence[Used], curve_at: Sequence[float] | None = None) -> list[Contrast]:
    """Every ratio of the table; of a curve, at round values within the middle nine tenths of the people.

    curve_at: give the curve alone, at these values.
    """
    width = sum(_width(one) for one in used)
    found: list[Contrast] = []
    start = 0
    for one in used:
        place = slice(start, start + _width(one))
        start = place.stop
        if one.groups:
            rows = [(group, one.groups[0], row) for group, row in zip(one.groups[1:], np.eye(_width(one)), strict=True)]
        elif one.covariate.kind == "curve":
            at = curve_at if curve_at is not None else _round_values(one)
            basis = _columns(np.array([*at, one.reference], dtype=float), one)
            rows = [(f"{value:g}", f"{one.reference:g}", basis[number] - basis[-1]) for number, value in enumerate(at)]
        else:
            rows = [(f"+{one.covariate.unit:g}", "", np.ones(1))]
        if curve_at is not None and one.covariate.kind != "curve":
            continue
        for level, against, row in rows:
            weights = np.zeros(width)
            weights[place] = row
            found.append(Contrast(one.name, level, against, weights))
    return found


def spells(rows: pl.DataFrame, x: Floats, names: tuple[str, ...], stratum: Ints, *, total_time: bool = False) -> Spells:
    """Rows with their columns. total_time: on the clock of the first session instead of each spell's own."""
    start = rows["start_day"].to_numpy().astype(float) if total_time else np.zeros(len(rows))
    entry = start + rows["entry_day"].to_numpy()
    _, cluster = np.unique(rows["patient_key"].to_numpy().astype(str), return_inverse=True)
    return Spells(
        x,
        names,
        np.where(entry > 0, entry, -np.inf),
        start + rows["exit_day"].to_numpy(),
        rows["had_event"].to_numpy(),
        stratum,
        cluster,
    )


def sites(rows: pl.DataFrame) -> Ints:
    """A number for each site."""
    return np.asarray(np.unique(rows["site_code"].to_numpy().astype(str), return_inverse=True)[1])


def _filled(values: pl.Series) -> Floats:
    return np.asarray(values.fill_null(float("nan")).to_numpy(), dtype=float)


def _width(one: Used) -> int:
    return len(one.groups) - 1 if one.groups else max(len(one.knots) - 1, 1)


def _columns(values: Floats, one: Used) -> Floats:
    if one.groups:
        return np.column_stack([values == place for place in range(1, len(one.groups))]).astype(float)
    if one.knots:
        return spline_basis(values, one.knots)
    return values[:, None] / one.covariate.unit


def _round_values(one: Used) -> list[float]:
    tens = np.arange(np.ceil(one.low / 5) * 5, one.high + 1e-9, 5)
    shown = [float(value) for value in tens if value % 10 == 0 and value != one.reference]
    return shown or [float(value) for value in (round(one.low), round(one.high)) if value != one.reference]
