"""Interval-censored counts: durations of which only two looks are known, one before the end and one after it."""

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from pipelines.estimators.counts import Ints
from pipelines.estimators.errors import CountsError
from pipelines.estimators.limits import Floats

# Stands for "not seen to end". Far above any day, and exact as a floating-point number.
NOT_ENDED = 2**40


@dataclass(frozen=True, eq=False)
class Intervals:
    """Distinct intervals as arrays over their K kinds, ascending by left, then right.

    left: (K,) last day on which it was still present, 0 where it was never found. right: (K,) first later day on
    which it was gone; NOT_ENDED where it was not seen to end. The end lies in (left, right]. count: (K,) how many
    share the interval, above 0.
    """

    left: Ints
    right: Ints
    count: Floats

    @property
    def total(self) -> float:
        """How many there are."""
        return float(self.count.sum())

    @property
    def last_look(self) -> int | None:
        """The last day of which anything is known; None where there is nobody."""
        ended = self.right[self.right < NOT_ENDED]
        return int(max(self.left.max(), ended.max(initial=0))) if self.left.size else None

    def ended_by(self, day: int) -> int:
        """How many are known to have ended by the end of that day."""
        return round(float(self.count[self.right <= day].sum()))

    def still_followed(self, day: int) -> int:
        """How many were looked at on that day or later and are not known to have ended before."""
        known = (self.left >= day) | ((self.right > day) & (self.right < NOT_ENDED))
        return round(float(self.count[known].sum()))


def checked_intervals(table: pl.DataFrame) -> Intervals:
    """Check a table of intervals and fold it to distinct ones. Row order and splitting of rows do not matter.

    table: left_day (whole, at least 0), right_day (whole, above left_day; empty where not seen to end), n (whole, at
    least 0).
    Raises: CountsError, for a missing column, an empty or broken number, or an interval that ends before it begins.

    >>> rows = {"left_day": [0, 0, 7], "right_day": [7, 7, None], "n": [2, 1, 4]}
    >>> found = checked_intervals(pl.DataFrame(rows))
    >>> found.left.tolist(), found.count.tolist(), found.last_look
    ([0, 7], [3.0, 4.0], 7)
    """
    whole = whole_columns(table, ("left_day", "n"))
    right = whole_columns(table, ("right_day",), may_be_empty=True).get_column("right_day")
    rows = whole.with_columns(right_day=right)
    check_intervals(rows)
    folded = (
        rows.group_by("left_day", pl.col("right_day").fill_null(NOT_ENDED))
        .agg(pl.col("n").sum())
        .filter(pl.col("n") > 0)
        .sort("left_day", "right_day")
    )
    return Intervals(
        folded.get_column("left_day").to_numpy(),
        folded.get_column("right_day").to_numpy(),
        folded.get_column("n").cast(pl.Float64).to_numpy(),
    )


def check_intervals(rows: pl.DataFrame) -> None:
    """Refuse intervals that end before they begin, days below 0 and counts below 0.

    rows: left_day, right_day and n as whole numbers. Raises: CountsError, naming the first day at fault.
    """
    for at_fault, problem in (
        (pl.col("left_day") < 0, "left_day is negative"),
        (pl.col("right_day") <= pl.col("left_day"), "an interval must end after it begins: right_day above left_day"),
        (pl.col("right_day") >= NOT_ENDED, "right_day is too large; leave it empty where no end was seen"),
        (pl.col("n") < 0, "n is negative"),
    ):
        days = rows.filter(at_fault).get_column("left_day")
        if days.len():
            raise CountsError(problem, day=int(days.to_list()[0]))


def whole_columns(table: pl.DataFrame, names: Sequence[str], *, may_be_empty: bool = False) -> pl.DataFrame:
    """The named columns as Int64. Raises: CountsError where one is missing, not whole, or empty and may not be."""
    columns = []
    for name in names:
        if name not in table.columns:
            raise CountsError(f"missing column {name}")
        series = table.get_column(name)
        if not (series.dtype.is_numeric() or series.dtype == pl.Null):
            raise CountsError(f"column {name}: expected whole numbers, found {series.dtype}")
        cast = series.cast(pl.Int64, strict=False)
        broken = series.is_not_null() & (cast.is_null() | (cast.cast(pl.Float64) != series.cast(pl.Float64)))
        if broken.any() or (cast.has_nulls() and not may_be_empty):
            raise CountsError(f"column {name}: a value is missing or not a whole number")
        columns.append(cast.alias(name))
    return pl.DataFrame(columns)
