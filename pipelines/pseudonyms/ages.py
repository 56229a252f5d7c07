"""Ages in place of dates of birth."""

from __future__ import annotations

import polars as pl

from .dates import HOW_TO_READ, as_dates
from .places import Places
from .plan import AGE, Plan

OLDEST_YEARS = 90
"""Stands for 90 or over."""
_OLDEST_LIVING_YEARS = 120


def completed_years(born: pl.Series, on: pl.Series) -> pl.Series:
    """Ages in completed years; who was born on 29 February has the birthday on 1 March in other years.

    >>> from datetime import date
    >>> days = [date(2023, 2, 28), date(2023, 3, 1)]
    >>> completed_years(pl.Series([date(2000, 2, 29)] * 2), pl.Series(days)).to_list()
    [22, 23]
    """
    frame = pl.DataFrame({"born": born, "on": on})
    birthday, day = (pl.col(name).dt.month().cast(pl.Int32) * 100 + pl.col(name).dt.day() for name in ("born", "on"))
    years = pl.col("on").dt.year() - pl.col("born").dt.year() - (day < birthday).cast(pl.Int32)
    return frame.select(years).to_series()


def with_ages(frame: pl.DataFrame, plan: Plan, places: Places) -> pl.DataFrame:
    """The table with ages at first surgery beside the dates of birth, and 90 in place of every age above.

    Raises: GraftledgerError where a date cannot be read, or two make an age that nobody has.
    """
    for name in plan.age_columns:
        if name in frame.columns:
            above = pl.col(name).cast(pl.Float64, strict=False) > OLDEST_YEARS
            frame = frame.with_columns(
                pl.when(above).then(pl.lit(str(OLDEST_YEARS))).otherwise(pl.col(name)).alias(name)
            )
    if plan.birth_column is None:
        return frame
    dates = {name: as_dates(frame[name], plan.date_forms) for name in (plan.birth_column, plan.surgery_column)}
    for name, column in dates.items():
        places.note("a date cannot be read", name, frame[name].is_not_null() & column.is_null(), HOW_TO_READ)
    years = completed_years(*dates.values())
    impossible = (years < 0) | (years > _OLDEST_LIVING_YEARS)
    mend = "Check both dates; years of birth need four digits."
    places.note("two dates make an age that nobody has", plan.birth_column, impossible, mend)
    places.raise_faults()
    ages = years.clip(upper_bound=OLDEST_YEARS).cast(pl.String).alias(AGE)
    return frame.clone().insert_column(frame.columns.index(plan.birth_column), ages)
