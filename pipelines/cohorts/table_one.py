"""The baseline table of a cohort: who its patients are, by group, with what is missing and how far groups differ."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from registry._ddl import quoted
from registry.definition import PATIENT, SESSION, Field, Kind
from registry.errors import GraftledgerError
from registry.store import Registry

from .._queries import KNOWN_SESSION, rows
from ..exports.columns import WITHHELD
from ..exports.quasi_identifiers import pooled
from ..exports.suppression import suppress
from ..groups import NOT_RECORDED, GroupField, chosen_fields
from ..rounding import check_rounding, rounded
from .definition import CohortDefinition
from .members import kept_members, member_values

if TYPE_CHECKING:
    import polars as pl

_OF_SESSION = ("technique", "session_reason", "further_sessions_planned", "grafts_total", "recipient_area_cm2")
"""What is known when the index session is done; the rest of a session is not baseline."""
_NOT_BASELINE = ("consent_scope", "last_contact_reason", "status_at_last_contact")
_TOLD = (Kind.CODE, Kind.YES_NO, Kind.CODE_SET, Kind.INTEGER, Kind.NUMBER)
SMALLER = "smaller groups"
HIDDEN = "-"
"""Stands for a count that is small, or that would give a small one away."""


@dataclass(frozen=True)
class Line:
    """One line: a field, one of its values (empty for the field's own line), and a cell a group, `All` last.

    difference: the largest standardised difference between two groups; on a field's first line, where it can be told.
    """

    field: str
    label: str
    value: str
    cells: tuple[str, ...]
    difference: float | None = None


@dataclass(frozen=True)
class TableOne:
    """The table. groups: in the order of the cells, without `All`. sizes: patients of each, and of all."""

    by: str
    groups: tuple[str, ...]
    sizes: tuple[str, ...]
    lines: tuple[Line, ...]
    round_to: int = 0


@dataclass(frozen=True)
class _Shown:
    """How counts are shown. floor: smallest that is; round_to: 0 for as they are."""

    floor: int
    round_to: int


def table_one(
    registry: Registry, definition: CohortDefinition, *, by: str, floor: int = 11, round_to: int = 0
) -> TableOne:
    """Medians with quartiles, counts with shares, and missing answers, of those who consented, by a field.

    Shares and medians are of those in whom it is recorded; how many are not has its own line. `unknown` is an answer.
    Standardised difference: of means in units of the pooled standard deviation; for codes, Mahalanobis distance of the
    shares (Yang & Dalton 2012, SAS Global Forum 335, recalled). Above 0.1 groups are often called unlike (common
    practice); it says nothing of chance, and unlike groups must not be compared without more.
    by: a field that figures may be split by. floor: counts from 1 to floor - 1 are hidden, and as many more that no
    small one can be worked out from the totals within a field; 0 or 1 hides none. A median of fewer is hidden too, and
    groups of fewer become one. round_to: counts that are left are rounded to its multiples, and shares, totals and the
    differences of codes are those of the rounded counts; what it protects, `rounding_note` says.
    Raises: GraftledgerError for an unknown field, a cohort of nobody, or counts that would be rounded to less than 0.
    """
    check_rounding(round_to)
    how = _Shown(floor, round_to)
    (split,) = chosen_fields((by,), registry.settings)
    fields = _fields(split)
    frame = _patients(registry, definition, split, fields)
    if frame.is_empty():
        raise GraftledgerError("Nobody is in this cohort. Widen its conditions.")
    if floor > 1:
        frame = frame.with_columns(pooled(frame.get_column("group"), floor).replace(WITHHELD.name, SMALLER))
    found = set(frame.get_column("group"))
    ordered = [value for value in split.values or sorted(found - {NOT_RECORDED, SMALLER}) if value in found]
    groups = (*ordered, *(name for name in (SMALLER, NOT_RECORDED) if name in found and name not in ordered))
    sizes = np.array([[int((frame.get_column("group") == group).sum()) for group in groups]])
    lines: list[Line] = []
    for name, field in fields.items():
        known = frame.select("group", value=name)
        lines += _numbers(field, known, groups, how) if _is_number(field) else _codes(field, known, groups, how)
    return TableOne(by, groups, tuple(_cells(sizes, how)[0]), tuple(lines), round_to)


def _fields(split: GroupField) -> Mapping[str, Field]:
    of_patient = {f"p.{f.name}": f for f in PATIENT.fields if f.kind in _TOLD and f.name not in _NOT_BASELINE}
    of_session = {f"s.{f.name}": f for f in SESSION.fields if f.name in _OF_SESSION}
    return {name: field for name, field in (of_patient | of_session).items() if field.name != split.name}


def _patients(
    registry: Registry, definition: CohortDefinition, split: GroupField, fields: Mapping[str, Field]
) -> pl.DataFrame:
    columns = [f"{name[:2]}{quoted(field.name)} as {quoted(name)}" for name, field in fields.items()]
    texts = {"group": f"coalesce({split.sql}, '{NOT_RECORDED}')", "columns": ", ".join(columns)}
    with kept_members(registry, definition):
        steps = (*KNOWN_SESSION, "cohort_baseline")
        return rows(registry, steps, "from cohort_baseline", member_values(registry, definition), texts)


def _is_number(field: Field) -> bool:
    return field.kind in (Kind.INTEGER, Kind.NUMBER)


def _numbers(field: Field, known: pl.DataFrame, groups: Sequence[str], how: _Shown) -> list[Line]:
    parts = [known.filter(known["group"] == group).get_column("value") for group in groups]
    counts = np.array([[len(part) - part.null_count() for part in parts], [part.null_count() for part in parts]])
    cells = _cells(counts, how)
    middles = []
    for part in [*parts, known.get_column("value")]:
        few = len(part) - part.null_count() < max(how.floor, 1)
        middle, low, high = (part.quantile(share, "linear") or 0.0 for share in (0.5, 0.25, 0.75))
        middles.append(HIDDEN if few else f"{middle:.4g} ({low:.4g} to {high:.4g})")
    unit = f", {field.unit}" if field.unit else ""
    difference = None if HIDDEN in middles else _apart([_moments(part) for part in parts])
    return [
        Line(field.name, f"{field.label}{unit}", "median (quartiles)", tuple(middles), difference),
        Line(field.name, f"{field.label}{unit}", NOT_RECORDED, tuple(cells[1])),
    ]


def _moments(part: pl.Series) -> tuple[np.ndarray, np.ndarray] | None:
    values = part.drop_nulls().cast(float).to_numpy()
    return (np.array([values.mean()]), np.array([[values.var(ddof=1)]])) if len(values) > 1 else None


def _codes(field: Field, known: pl.DataFrame, groups: Sequence[str], how: _Shown) -> list[Line]:
    if field.kind is Kind.CODE_SET:
        assert field.codes is not None
        of_codes = {
            f"{field.label}: {code.meaning}": known.with_columns(value=known["value"].list.contains(code.name))
            for code in field.codes.codes
        }
        yes: dict[object, str] = {True: "yes", False: ""}
        apart = [_counted(field.name, label, yes, one, groups, how) for label, one in of_codes.items()]
        # who answered is the same for all codes: hidden beside one, it must not stand beside another
        never = {place for lines in apart for place, cell in enumerate(lines[-1].cells) if cell == HIDDEN}
        return [
            line
            for label, one in of_codes.items()
            for line in _counted(field.name, label, yes, one, groups, how, never)
        ]
    values: dict[object, str] = (
        {True: "yes", False: "no"}
        if field.kind is Kind.YES_NO
        else {code.name: code.meaning for code in field.codes.codes}  # type: ignore[union-attr]
    )
    return _counted(field.name, field.label, values, known, groups, how)


def _counted(
    name: str,
    label: str,
    values: Mapping[object, str],
    known: pl.DataFrame,
    groups: Sequence[str],
    how: _Shown,
    never: Collection[int] = (),
) -> list[Line]:
    """Lines of the values that occur, and of those not recorded; a value without words has no line.

    never: places of groups in which it is not told how many were not recorded.
    """
    table = known.group_by("group", "value").len("n")
    n = {(group, value): count for group, value, count in table.iter_rows()}
    there = [value for value in values if any((group, value) in n for group in groups)]
    counts = np.array([[n.get((group, value), 0) for group in groups] for value in (*there, None)])
    cells = _cells(counts, how)
    counts = _rounded(counts, how)
    cells[-1] = [HIDDEN if place in never else cell for place, cell in enumerate(cells[-1])]
    recorded = np.append(counts[:-1].sum(axis=0), counts[:-1].sum())
    hidden = any(HIDDEN in line for line in cells)
    shares = [counts[:-1, place] / recorded[place] if recorded[place] else None for place in range(len(groups))]
    moments = [None if p is None else (p[1:], np.diag(p[1:]) - np.outer(p[1:], p[1:])) for p in shares]
    difference = None if hidden or len(there) < 2 else _apart(moments)
    lines: list[Line] = []
    for place, value in enumerate(there):
        if not values[value]:
            continue
        told = [
            # a share tells its denominator, and so how many were not recorded
            cell
            if HIDDEN in (cell, missing) or not whole
            else f"{cell} ({100 * int(cell.replace(',', '')) / whole:.1f} %)"
            for cell, missing, n_value, whole in zip(
                cells[place], cells[-1], [*counts[place], counts[place].sum()], recorded, strict=True
            )
        ]
        lines.append(Line(name, label, values[value], tuple(told), None if lines else difference))
    return [*lines, Line(name, label, NOT_RECORDED, tuple(cells[-1]))]


def _apart(moments: Sequence[tuple[np.ndarray, np.ndarray] | None]) -> float | None:
    """The largest standardised difference between two groups, from means and covariances; None where none is known."""
    known = [pair for pair in moments if pair is not None]
    largest: float | None = None
    for (mean, spread), (other, other_spread) in combinations(known, 2):
        gap = mean - other
        squared = float(gap @ np.linalg.pinv((spread + other_spread) / 2.0) @ gap)
        largest = max(largest or 0.0, float(np.sqrt(max(squared, 0.0))))
    return largest


def _rounded(counts: np.ndarray, how: _Shown) -> np.ndarray:
    return np.array([[rounded(int(n), how.round_to) for n in row] for row in counts])


def _cells(counts: np.ndarray, how: _Shown) -> list[list[str]]:
    """Counts as text with their totals over groups, small ones hidden, the others rounded. counts: (values, groups).

    Values with a small total are hidden altogether, and the next rarest with them until they are no few together. What
    they come to is the sum of a group less what is shown of it, so it is judged as one more value.
    """
    told = _rounded(counts, how)
    whole = np.column_stack([told, told.sum(axis=1)])
    if how.floor >= 2:
        rare = _rare(counts.sum(axis=1), how.floor)
        whole[rare] = -1
        if not rare.all():
            together = [counts[rare].sum(axis=0)] if rare.any() else []
            try:
                shown = suppress(np.vstack([counts[~rare], *together]), how.floor).counts
            except GraftledgerError:  # the totals would give small counts away
                return [[HIDDEN] * whole.shape[1] for _ in whole]
            small = np.zeros(whole.shape, dtype=bool)
            small[~rare, :-1] = shown[: int((~rare).sum())] < 0
            whole[small] = -1
    return [[HIDDEN if n < 0 else f"{n:,}" for n in row] for row in whole]


def _rare(totals: np.ndarray, floor: int) -> np.ndarray:
    """Which values have a small total, with the next rarest until all of these are no few together."""
    rare = np.zeros(len(totals), dtype=bool)
    together = 0
    for place in np.argsort(totals, kind="stable"):
        if totals[place] and (totals[place] < floor or 0 < together < floor):
            rare[place] = True
            together += int(totals[place])
    return rare | bool(0 < together < floor)
