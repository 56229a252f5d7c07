"""Interval-censored durations of patients with one session or several: patients alike in everything are one pattern."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipelines.estimators.counts import Ints
from pipelines.estimators.errors import CountsError
from pipelines.estimators.intervals import NOT_ENDED, Intervals, check_intervals, whole_columns
from pipelines.estimators.limits import Floats

_FEW = 5
"""Patterns of so many patients or fewer are most of all patterns, and hold few of all patients."""


@dataclass(frozen=True, eq=False)
class Patients:
    """Kinds of patients, as arrays over their patterns, and over the rows (pattern, interval) they were given as.

    patients: (patterns,) how many are alike. pattern: (rows,) place of the row's pattern among them. kind: (rows,)
    place of its interval among the distinct ones left, right: (kinds,). sessions: (rows,) such intervals a patient.
    """

    patients: Floats
    pattern: Ints
    kind: Ints
    left: Ints
    right: Ints
    sessions: Floats

    def intervals(self, patients: Floats) -> Intervals:
        """The intervals of so many patients of each pattern."""
        count = np.bincount(self.kind, patients[self.pattern] * self.sessions, self.left.size).astype(np.float64)
        there = count > 0
        return Intervals(self.left[there], self.right[there], count[there])

    def drawn(self, rng: np.random.Generator) -> Iterator[Floats]:
        """How many of each pattern there are among as many patients, drawn with replacement, again and again.

        Patients of rare patterns are picked one by one: a binomial draw for each such pattern takes most of the time.
        """
        rare = self.patients <= _FEW
        often = np.flatnonzero(~rare)
        people = np.repeat(np.flatnonzero(rare), self.patients[rare].astype(np.int64))
        total = round(float(self.patients.sum()))
        shares = np.append(self.patients[often], people.size) / total
        while True:
            *of_often, of_rare = rng.multinomial(total, shares)
            picked = people[rng.integers(0, max(people.size, 1), of_rare)]
            drawn = np.bincount(picked, minlength=self.patients.size).astype(np.float64)
            drawn[often] = of_often
            yield drawn


def checked_patients(table: pl.DataFrame) -> Patients:
    """Check a table of kinds of patients.

    table: one row an interval of a kind of patient: pattern (whole; patients alike in all their intervals share
    one), n (patients of the pattern, the same in all its rows), left_day, right_day (empty: not seen to end), sessions
    (at least 1: how many such intervals each of these patients has).
    Raises: CountsError, as `checked_intervals`, and for a pattern that gives two numbers of patients.
    """
    rows = whole_columns(table, ("pattern", "n", "left_day", "sessions"))
    right = whole_columns(table, ("right_day",), may_be_empty=True).get_column("right_day")
    rows = rows.with_columns(right_day=right)
    check_intervals(rows)
    rows = rows.filter(pl.col("n") > 0).with_columns(pl.col("right_day").fill_null(NOT_ENDED))
    if (rows.get_column("sessions") < 1).any():
        raise CountsError("sessions: expected at least 1")
    by_pattern = rows.group_by("pattern").agg(pl.col("n").first(), kinds=pl.col("n").n_unique()).sort("pattern")
    if (by_pattern.get_column("kinds") > 1).any():
        raise CountsError("the rows of one pattern give two numbers of patients")
    kinds = rows.select("left_day", "right_day").unique().sort("left_day", "right_day").with_row_index("kind")
    rows = rows.join(kinds, on=["left_day", "right_day"]).sort("pattern", "kind")
    place = np.searchsorted(by_pattern.get_column("pattern").to_numpy(), rows.get_column("pattern").to_numpy())
    return Patients(
        by_pattern.get_column("n").cast(pl.Float64).to_numpy(),
        place,
        rows.get_column("kind").cast(pl.Int64).to_numpy(),
        kinds.get_column("left_day").to_numpy(),
        kinds.get_column("right_day").to_numpy(),
        rows.get_column("sessions").cast(pl.Float64).to_numpy(),
    )
