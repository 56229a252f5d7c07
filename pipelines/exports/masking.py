"""Answers that few patients share, at the anonymous level: pooled, rounded, cut at the ends, or left out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from .columns import DAYS_STEP, WITHHELD, Column, Type
from .quasi_identifiers import pooled
from .tables import Table

if TYPE_CHECKING:
    import polars as pl

STRUCTURE = ("is_index", "first_operated_here", "event", "gap_number", "number_here", "sessions_here", "measure")
"""Columns that a table means nothing without; they are as they are."""
PAIRS = {"stop": "start", "stop_since_index": "start_since_index", "right_day": "left_day"}
"""Days that stay after another one."""


@dataclass(frozen=True, eq=False)
class Masked:
    """A table after masking, and what was done to it, in words by column."""

    table: Table
    frame: pl.DataFrame
    changes: Mapping[str, str]


def mask(table: Table, frame: pl.DataFrame, k: int, spared: tuple[str, ...] = ()) -> Masked:
    """Mask every column but keys and `spared`, so that no answer is left that fewer than k patients share.

    Numbers: beyond the k-th lowest and highest patient they are cut; days are rounded to weeks, others to two digits.
    """
    import polars as pl

    changes: dict[str, str] = {}
    columns: list[Column] = []
    patients = frame.get_column("patient_key").cast(pl.Categorical).to_physical()  # as numbers, quicker to count
    made = frame
    for column in table.columns:
        if column.type is Type.TEXT or column.name in (*STRUCTURE, *spared):
            columns.append(column)
            continue
        values = frame.get_column(column.name)
        masked, words = _masked(column, values, patients, k)
        if words:
            changes[column.name] = words
        if masked is None:
            made = made.drop(column.name)
            continue
        made = made.with_columns(masked.alias(column.name))
        columns.append(replace(column, required=False) if words else column)
    return Masked(replace(table, columns=tuple(columns)), _kept_apart(made), changes)


def _masked(column: Column, values: pl.Series, patients: pl.Series, k: int) -> tuple[pl.Series | None, str]:
    import polars as pl

    told = pl.DataFrame({"value": values, "patient": patients}).drop_nulls("value")
    if told.get_column("patient").n_unique() < k:
        return None, "left out: fewer than k patients have an answer"
    match column.type:
        case Type.CODE:
            shown = pooled(values, k, patients)
            if (shown.drop_nulls() == WITHHELD.name).all():
                return None, "left out: no answer is shared by k patients"
            rare = int((shown == WITHHELD.name).sum() or 0)
            return shown, "rare answers withheld" if rare else ""
        case Type.YES_NO:
            if told.group_by("value").agg(pl.col("patient").n_unique()).get_column("patient").min() < k:  # type: ignore[operator]
                return None, "left out: fewer than k patients have one of the two answers"
            return values, ""
        case _:
            ends = told.group_by("patient").agg(pl.col("value").min().alias("low"), pl.col("value").max().alias("high"))
            low = ends.get_column("low").sort()[k - 1]
            high = ends.get_column("high").sort(descending=True)[k - 1]
            cut = values.clip(min(low, high), max(low, high))
            if column.unit == "days" or column.name.endswith("_day"):
                return ((cut / DAYS_STEP).round() * DAYS_STEP).cast(pl.Int64), "cut at the ends, whole weeks"
            rounded = cut.cast(pl.Float64).round_sig_figs(2)
            return rounded.cast(values.dtype), "cut at the ends, two digits"


def _kept_apart(frame: pl.DataFrame) -> pl.DataFrame:
    """Days that came after another one still do, though both were rounded."""
    import polars as pl

    return frame.with_columns(
        pl.when(pl.col(later) <= pl.col(earlier))
        .then(pl.col(earlier) + DAYS_STEP)
        .otherwise(pl.col(later))
        .alias(later)
        for later, earlier in PAIRS.items()
        if {later, earlier} <= set(frame.columns)
    )
