"""Case-mix factors as columns that can be frozen: the same rule turns any later session into the same columns."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from ..next_session_model.covariates import Covariate
from ..next_session_model.preparing import pooled_levels
from ..regression.spells import Floats

NOT_KNOWN = "not_known"
"""A factor that is not recorded is a group of its own: no session may drop out of a comparison for a gap."""
SMALLEST_SHARE = 50
"""A group of fewer than one session in so many is pooled (common practice, no source)."""


@dataclass(frozen=True)
class Factor:
    """One factor as the model takes it.

    groups: of levels, the one compared against first; empty for a number. group_of: level to group; a level that the
    reference period did not have counts with the first group. unit, centre: of a number; one not known stands at the
    centre. gap: whether numbers not known have a column of their own.
    """

    name: str
    groups: tuple[str, ...] = ()
    group_of: Mapping[str, str] | None = None
    unit: float = 1.0
    centre: float = 0.0
    gap: bool = False

    @property
    def columns(self) -> tuple[str, ...]:
        """Names of its columns."""
        if self.groups:
            return tuple(f"{self.name} {group}" for group in self.groups[1:])
        return (self.name, f"{self.name} {NOT_KNOWN}") if self.gap else (self.name,)

    def values(self, rows: pl.DataFrame) -> Floats:
        """(n, columns) of these sessions."""
        if self.groups:
            places = {level: self.groups.index(group) for level, group in (self.group_of or {}).items()}
            level = rows[self.name].cast(pl.String).fill_null(NOT_KNOWN)
            place = level.replace_strict(places, default=0, return_dtype=pl.Int64).to_numpy()
            return np.column_stack([place == number for number in range(1, len(self.groups))]).astype(float)
        known = rows[self.name].cast(pl.Float64)
        number = ((known.fill_null(self.centre) - self.centre) / self.unit).to_numpy()
        return np.column_stack([number, known.is_null().to_numpy()] if self.gap else [number]).astype(float)

    def as_dict(self) -> dict[str, Any]:
        """Plain data, for the registry."""
        return {
            "name": self.name,
            "groups": list(self.groups),
            "group_of": dict(self.group_of or {}),
            "unit": self.unit,
            "centre": self.centre,
            "gap": self.gap,
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Factor:
        """The factor of that plain data."""
        return cls(
            data["name"],
            tuple(data["groups"]),
            dict(data["group_of"]) or None,
            data["unit"],
            data["centre"],
            data["gap"],
        )


def plan_factors(
    rows: pl.DataFrame, covariates: Sequence[Covariate], floor: int, most_columns: int
) -> tuple[Factor, ...]:
    """The factors over the sessions of a reference period, decided without a look at outcomes.

    In the order declared, as long as they take no more than most_columns columns; small groups are pooled, and what
    does not differ is left out. floor: fewest sessions of a group.
    """
    found: list[Factor] = []
    smallest = max(floor, len(rows) // SMALLEST_SHARE)
    for covariate in covariates:
        factor = _levels(rows, covariate, smallest) if covariate.kind == "levels" else _number(rows, covariate, floor)
        if factor and sum(len(one.columns) for one in (*found, factor)) <= most_columns:
            found.append(factor)
    return tuple(found)


def _levels(rows: pl.DataFrame, covariate: Covariate, smallest: int) -> Factor | None:
    level = rows[covariate.name].cast(pl.String).fill_null(NOT_KNOWN)
    counts = dict(level.value_counts().rows())
    tallies = {name: (n, 0) for name, n in counts.items()}
    present = [name for name in (*covariate.levels, NOT_KNOWN) if name in counts]
    groups = pooled_levels(present, tallies, covariate.families, smallest, least_events=0)
    # what is too small even so counts with the largest group: a column of a few sessions has no estimate
    largest = max(groups, key=lambda group: sum(counts[name] for name in group), default=[])
    rest = [group for group in groups if group is not largest and sum(counts[name] for name in group) < smallest]
    ordered = [
        [*largest, *(name for group in rest for name in group)],
        *(group for group in groups if group is not largest and group not in rest),
    ]
    if len(ordered) < 2:
        return None
    names = tuple("+".join(group) for group in ordered)
    return Factor(covariate.name, names, {one: "+".join(group) for group in ordered for one in group})


def _number(rows: pl.DataFrame, covariate: Covariate, floor: int) -> Factor | None:
    known = rows[covariate.name].drop_nulls().cast(pl.Float64)
    if known.n_unique() < 2:
        return None
    gaps = len(rows) - len(known)
    centre = float(np.median(known.to_numpy()))
    return Factor(covariate.name, unit=covariate.unit, centre=centre, gap=min(gaps, len(known)) >= floor)


def columns_of(rows: pl.DataFrame, factors: Sequence[Factor]) -> tuple[Floats, tuple[str, ...]]:
    """(n, p) columns of these sessions, and their names."""
    names = tuple(name for factor in factors for name in factor.columns)
    parts = [factor.values(rows) for factor in factors]
    return (np.column_stack(parts) if parts else np.zeros((len(rows), 0))), names
