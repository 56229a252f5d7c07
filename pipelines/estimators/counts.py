"""The risk table: what every time-to-event estimator sees instead of patients.

One row a day on which somebody enters or leaves. Its size depends on how many days there are, not on how many
patients, so the heavy grouping is done once, in the database, and the estimators run on a few thousand rows.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
import polars as pl

from pipelines.estimators.errors import CountsError

Ints = npt.NDArray[np.int64]
Reason = Literal["before_follow_up", "beyond_follow_up"]


@dataclass(frozen=True, eq=False)
class Counts:
    """A checked risk table as arrays over its n days, ascending. All counts are whole numbers of at least 0.

    day: (n,) days since the origin, distinct. at_risk: (n,) under observation on that day and without an event
    before.
    entered: (n,) first observed on that day, at risk from the next. events: (causes, n). censored: (n,).
    remaining: (n,) still under observation once the day is over = at_risk + entered - events - censored.
    first_day, last_day: the first unbroken run of days with somebody at risk; None when there is no such day.
    """

    day: Ints
    at_risk: Ints
    entered: Ints
    events: Ints
    censored: Ints
    remaining: Ints
    first_day: int | None
    last_day: int | None

    def row_on(self, at_days: int) -> int:
        """Index of the last row at or before a day; -1 when the table starts later."""
        return int(np.searchsorted(self.day, at_days, side="right")) - 1

    def reason_unknown(self, at_days: int) -> Reason | None:
        """Why nothing can be said of a day; None inside the followed span."""
        if self.first_day is None or self.last_day is None or at_days > self.last_day:
            return "beyond_follow_up"
        return "before_follow_up" if at_days < self.first_day else None

    def at_risk_on(self, days: Ints) -> Ints:
        """How many are at risk on each of any days, also those without a row."""
        at_start = self.at_risk[:1] if self.day.size else np.zeros(1, dtype=np.int64)
        before = np.searchsorted(self.day, days, side="left")
        return np.concatenate([at_start, self.remaining])[before]

    def remaining_after(self, at_days: int) -> int:
        """How many are still under observation, without an event, once that day is over."""
        row = self.row_on(at_days)
        if row < 0:
            return int(self.at_risk[0]) if self.day.size else 0
        return int(self.remaining[row])

    def smallest_at_risk(self, at_days: int) -> int:
        """The fewest at risk on any day from first_day to at_days, which must lie in the followed span."""
        row = self.row_on(at_days)
        if row < 0:
            return int(self.at_risk[0])
        at_risk = self.at_risk[: row + 1][self.day[: row + 1] >= (self.first_day or 0)]
        if self.day[row] < at_days:
            at_risk = np.append(at_risk, self.remaining[row])
        return int(at_risk.min())


def risk_table(grouped: pl.DataFrame) -> pl.DataFrame:
    """Fold counts of follow-up spells into the risk table that the estimators take.

    A spell is one person's time under observation. It is at risk on the days entry_day < day <= exit_day, as in R
    `Surv(entry, exit, event)`; on the exit day it still counts as at risk, so among ties events come before
    censorings. A spell with entry_day of 0 or less, and every spell where the column is absent, is observed from
    the origin and is at risk on day 0 too: a censoring on day 0 simply leaves, an event on day 0 counts (as in R
    for right-censored data).

    grouped: any number of rows, in any order; each adds up spells that share exit_day and, if given, entry_day.
    exit_day: whole days since the origin, at least 0. entry_day (optional): whole days, less than exit_day unless 0
    or less. events, or one column events_<cause> a cause: spells that ended so on exit_day.
    censored: spells that ended on exit_day without an event. Raw data are the case where each row holds a single 1.
    Returns one row a day on which somebody enters or leaves, ascending: day, at_risk (on that day), entered (on
    that day, at risk from the next), the event columns as given, censored. Row order and splitting of rows do not
    matter.
    Raises: CountsError, for a missing column, an empty cell, a number that is not whole or is negative, and a spell
    that ends before it begins (leave such spells out and count them as not counted).

    >>> spells = pl.DataFrame({"exit_day": [3, 5, 5], "events": [1, 2, 0], "censored": [0, 0, 1]})
    >>> risk_table(spells).rows()
    [(3, 4, 0, 1, 0), (5, 3, 0, 2, 1)]
    """
    outcomes = [*event_columns(grouped), "censored"]
    has_entry = "entry_day" in grouped.columns
    spells = whole_numbers(grouped, [*(["entry_day"] if has_entry else []), "exit_day", *outcomes])
    if not has_entry:
        spells = spells.with_columns(entry_day=pl.lit(0, dtype=pl.Int64))
    backwards = (pl.col("entry_day") > 0) & (pl.col("entry_day") >= pl.col("exit_day"))
    refuse(
        spells,
        {
            **{f"{name} is negative": pl.col(name) < 0 for name in ("exit_day", *outcomes)},
            "a spell ends here without having begun before": backwards,
        },
        day="exit_day",
    )

    late = pl.col("entry_day") > 0
    people = pl.sum_horizontal(outcomes)
    from_origin = spells.filter(~late).select(people.sum()).item()
    movements = pl.concat(
        [
            spells.select(day="exit_day", **{name: pl.col(name) for name in outcomes}),
            spells.filter(late).select(day="entry_day", entered=people),
        ],
        how="diagonal",
    )
    by_day = movements.group_by("day").agg(pl.col("entered", *outcomes).sum()).sort("day")
    change = pl.col("entered") - people
    table = by_day.with_columns(at_risk=from_origin + change.cum_sum() - change)
    return table.select("day", "at_risk", "entered", *outcomes)


def checked_counts(table: pl.DataFrame, events: Sequence[str]) -> Counts:
    """Check a risk table and turn it into arrays.

    table: day, at_risk, the named event columns, censored, and entered (absent means that nobody enters late).
    Raises: CountsError, naming the first day at fault: a day given twice or negative, a count that is missing,
    negative or not whole, more events and censorings than people at risk, or an at_risk that is not what the day
    before left over.
    """
    names = ["day", "at_risk", *events, "censored"]
    if "entered" not in table.columns:
        table = table.with_columns(entered=pl.lit(0, dtype=pl.Int64))
    rows = whole_numbers(table, [*names, "entered"]).sort("day")
    happened = pl.sum_horizontal(events)
    leaving = happened + pl.col("censored")
    remaining = pl.col("at_risk") + pl.col("entered") - leaving
    carried = remaining.shift(1).is_not_null() & (remaining.shift(1) != pl.col("at_risk"))
    refuse(
        rows,
        {
            "the day is negative": pl.col("day") < 0,
            "the day is given more than once": pl.col("day").is_duplicated(),
            **{f"{name} is negative": pl.col(name) < 0 for name in ("at_risk", *events, "censored", "entered")},
            "more events than people at risk": happened > pl.col("at_risk"),
            "more people leave than were at risk": leaving > pl.col("at_risk"),
            "at_risk is not the number left over from the row before": carried,
        },
        day="day",
    )

    def column(name: str) -> Ints:
        return rows.get_column(name).to_numpy()

    left = rows.select(remaining.alias("remaining")).get_column("remaining").to_numpy()
    first_day, last_day = _followed_span(column("day"), column("at_risk"), column("entered"), left)
    return Counts(
        day=column("day"),
        at_risk=column("at_risk"),
        entered=column("entered"),
        events=np.array([column(name) for name in events], dtype=np.int64),
        censored=column("censored"),
        remaining=left,
        first_day=first_day,
        last_day=last_day,
    )


def event_columns(table: pl.DataFrame) -> list[str]:
    """Names of the event columns: events, or events_<cause> in the order of the table.

    Raises: CountsError, when there is none, or both forms at once.
    """
    causes = [name for name in table.columns if name.startswith("events_")]
    if ("events" in table.columns) == bool(causes):
        raise CountsError("expected either a column events or columns events_<cause>")
    return causes or ["events"]


def _followed_span(day: Ints, at_risk: Ints, entered: Ints, remaining: Ints) -> tuple[int | None, int | None]:
    """First and last day of the first unbroken run of days on which somebody is at risk."""
    starts = np.flatnonzero((at_risk > 0) | (entered > 0))
    if not starts.size:
        return None, None
    start = int(starts[0])
    # at_risk > 0 in the very first row can only be people observed from the origin
    first_day = 0 if at_risk[start] > 0 else int(day[start]) + 1
    emptied = np.flatnonzero(remaining[start:] == 0)
    last_row = start + int(emptied[0]) if emptied.size else day.size - 1
    return first_day, int(day[last_row])


def whole_numbers(table: pl.DataFrame, names: Sequence[str]) -> pl.DataFrame:
    """Return the named columns as Int64, or say which is missing, empty in places or not whole."""
    missing = [name for name in names if name not in table.columns]
    if missing:
        raise CountsError(f"missing column {', '.join(missing)}")
    days = "day" if "day" in names else "exit_day"
    found: dict[str, pl.Series] = {}
    for name in dict.fromkeys((days, *names)):
        series = table.get_column(name)
        if series.dtype == pl.Int64 and not series.null_count():
            found[name] = series
            continue
        if not series.dtype.is_numeric():
            raise CountsError(f"column {name}: expected whole numbers, found {series.dtype}")
        whole = found[name] = series.cast(pl.Int64, strict=False)
        if series.dtype.is_float():
            bad = whole.is_null() | (whole.cast(pl.Float64) != series.cast(pl.Float64))
        elif series.dtype.is_decimal():
            bad = whole.is_null() | (whole.cast(series.dtype, strict=False) != series).fill_null(True)
        else:
            bad = whole.is_null()
        if bad.any():
            if name == days:
                raise CountsError(f"column {name}: a value is missing or not a whole number")
            raise CountsError(f"{name} is missing or not a whole number", day=min(found[days].filter(bad)))
    return pl.DataFrame(found).select(names)


def refuse(table: pl.DataFrame, at_fault: Mapping[str, pl.Expr], *, day: str) -> None:
    """Raise CountsError for the first problem that any row has, naming the first day among the rows at fault.

    at_fault: by problem, whether a row has it. All are asked in one pass: one by one took half of an estimate's time.
    """
    found = table.select(fault.any().alias(problem) for problem, fault in at_fault.items()).row(0, named=True)
    for problem, fault in at_fault.items():
        if found[problem]:
            raise CountsError(problem, day=min(table.filter(fault).get_column(day)))
