"""Which covariates the model takes, and how their levels are pooled: decided by rules, before anything is fitted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import polars as pl

from ..regression.spline import default_knots
from .covariates import COVARIATES, Covariate

LEAST_EVENTS = 5
"""A level with fewer next sessions is pooled (rule of thumb: common practice, no source)."""
LEAST_KNOWN = 0.5
"""A covariate known for a smaller share is left out (rule of thumb: common practice, no source)."""
KNOTS = 4

Kind = Literal["pooled", "level_left_out", "mostly_missing", "one_value", "no_estimate", "straight"]


@dataclass(frozen=True)
class Remark:
    """Something done to a covariate that a reader must know. levels: those it was done to. n: spells concerned."""

    kind: Kind
    covariate: str
    levels: tuple[str, ...] = ()
    n: int = 0


@dataclass(frozen=True, eq=False)
class Used:
    """A covariate as the model takes it.

    groups: names of its groups in order, the reference first; empty for numbers. group_of: level to group.
    knots: of a curve. reference: value compared against, for a curve. low, high: 5th and 95th percentile of a number.
    counts: spells and events among those known, by group.
    """

    covariate: Covariate
    groups: tuple[str, ...] = ()
    group_of: Mapping[str, str] | None = None
    knots: tuple[float, ...] = ()
    reference: float = 0.0
    low: float = 0.0
    high: float = 0.0
    counts: Mapping[str, tuple[int, int]] | None = None

    @property
    def name(self) -> str:
        return self.covariate.name


@dataclass(frozen=True, eq=False)
class Prepared:
    """The covariates used, what was done to them, and the levels whose spells are left out, by covariate."""

    used: tuple[Used, ...]
    remarks: tuple[Remark, ...]
    left_out: Mapping[str, tuple[str, ...]]

    def kept(self, rows: pl.DataFrame) -> pl.DataFrame:
        """The rows without the levels left out; whoever's level is not known stays."""
        for name, levels in self.left_out.items():
            rows = rows.filter(~pl.col(name).is_in(levels).fill_null(False))
        return rows


def prepared(
    rows: pl.DataFrame,
    floor: int,
    covariates: Sequence[Covariate] = COVARIATES,
    least_events: int = LEAST_EVENTS,
) -> Prepared:
    """Decide on the covariates of these spells, or other rows with `had_event`.

    floor: fewest spells of a level. least_events: fewest events of a level; 0 keeps also levels without an event.
    """
    used: list[Used] = []
    remarks: list[Remark] = []
    left_out: dict[str, tuple[str, ...]] = {}
    for covariate in covariates:
        known = rows.filter(pl.col(covariate.name).is_not_null())
        if len(known) < LEAST_KNOWN * len(rows):
            remarks.append(Remark("mostly_missing", covariate.name, n=len(rows) - len(known)))
        elif known[covariate.name].n_unique() < 2:
            remarks.append(Remark("one_value", covariate.name, n=len(known)))
        elif covariate.kind == "levels":
            _levels(covariate, known, (floor, least_events), used, remarks, left_out)
        else:
            used.append(_number(covariate, known, remarks))
    return Prepared(tuple(used), tuple(remarks), left_out)


def _number(covariate: Covariate, known: pl.DataFrame, remarks: list[Remark]) -> Used:
    values = known[covariate.name].to_numpy().astype(float)
    low, middle, high = (float(value) for value in np.quantile(values, (0.05, 0.5, 0.95)))
    knots = default_knots(values, KNOTS) if covariate.kind == "curve" else ()
    if covariate.kind == "curve" and len(knots) < 3:
        remarks.append(Remark("straight", covariate.name, n=len(known)))
        knots = ()
    return Used(covariate, knots=knots, reference=round(middle), low=low, high=high)


def _levels(
    covariate: Covariate,
    known: pl.DataFrame,
    least: tuple[int, int],
    used: list[Used],
    remarks: list[Remark],
    left_out: dict[str, tuple[str, ...]],
) -> None:
    tallies = {
        level: (n, events)
        for level, n, events in known.group_by(covariate.name)
        .agg(pl.len(), pl.col("had_event").sum())
        .select(covariate.name, "len", "had_event")
        .rows()
    }
    present = [level for level in covariate.levels if level in tallies]
    groups = pooled_levels(present, tallies, covariate.families, *least)
    nobody = [group for group in groups if least[1] and not sum(tallies[level][1] for level in group)]
    if nobody:
        levels = tuple(level for group in nobody for level in group)
        left_out[covariate.name] = levels
        remarks.append(Remark("level_left_out", covariate.name, levels, sum(tallies[level][0] for level in levels)))
        groups = [group for group in groups if group not in nobody]
    if len(groups) < 2:
        remarks.append(Remark("one_value", covariate.name, n=len(known)))
        left_out.pop(covariate.name, None)
        return
    for group in groups:
        if len(group) > 1:
            remarks.append(Remark("pooled", covariate.name, tuple(group), sum(tallies[level][0] for level in group)))
    names = ["+".join(group) for group in groups]
    counts = {
        name: (sum(tallies[level][0] for level in group), sum(tallies[level][1] for level in group))
        for name, group in zip(names, groups, strict=True)
    }
    group_of = {level: name for name, group in zip(names, groups, strict=True) for level in group}
    first = group_of.get(covariate.reference or "") or max(names, key=lambda name: counts[name][0])
    ordered = (first, *(name for name in names if name != first))
    used.append(Used(covariate, ordered, group_of, counts=counts))


def pooled_levels(
    present: Sequence[str],
    tallies: Mapping[str, tuple[int, int]],
    families: Sequence[Sequence[str]],
    floor: int,
    least_events: int = LEAST_EVENTS,
) -> list[list[str]]:
    """Levels in groups that are large enough, as far as that goes.

    Within a family, the smallest group joins its smaller neighbour until none is too small. What is still too small
    then, and small levels of no family, form one group together.
    tallies: spells and events by level.

    >>> tallies = {"I": (3, 0), "II": (50, 9), "III": (60, 9), "none": (4, 1), "x": (90, 9)}
    >>> pooled_levels(["I", "II", "III", "none", "x"], tallies, [("I", "II", "III")], 20)
    [['I', 'II'], ['III'], ['x'], ['none']]
    """

    def size(group: Sequence[str]) -> tuple[int, int]:
        return sum(tallies[level][1] for level in group), sum(tallies[level][0] for level in group)

    def small(group: Sequence[str]) -> bool:
        events, n = size(group)
        return n < floor or events < least_events

    groups: list[list[str]] = []
    in_family = {level for family in families for level in family}
    for family in families:
        own = [[level] for level in family if level in present]
        while len(own) > 1 and any(small(group) for group in own):
            place = min(range(len(own)), key=lambda number: size(own[number]))
            beside = [number for number in (place - 1, place + 1) if 0 <= number < len(own)]
            other = min(beside, key=lambda number: size(own[number]))
            first, last = sorted((place, other))
            own[first : last + 1] = [own[first] + own[last]]
        groups += own
    groups += [[level] for level in present if level not in in_family]
    large = [group for group in groups if not small(group)]
    rest = [level for group in groups if small(group) for level in group]
    return [*large, *([rest] if rest else [])]
