"""Rows of single patients, for the estimators whose variance needs to know which rows are of one patient."""

from collections.abc import Mapping

import polars as pl

from pipelines.estimators.counts import refuse, whole_numbers
from pipelines.estimators.errors import CountsError


def person_rows(rows: pl.DataFrame, optional: Mapping[str, int]) -> pl.DataFrame:
    """Check rows of patients and number the patients.

    rows: patient (any identifier), exit_day, events, and, where given, entry_day, alike (so many patients have exactly
    the same rows) and the further optional columns of whole numbers. optional: their names and what they are where
    absent. Other columns are kept as they are.
    Returns the rows with the optional columns filled in and patients numbered, sorted by patient, entry and exit.
    Raises: CountsError, naming the first day at fault: a missing patient, unequal `alike` within a patient, a
    negative or missing number.
    """
    absent = {"entry_day": 0, "alike": 1, **optional}
    filled = rows.with_columns(**{name: pl.lit(value) for name, value in absent.items() if name not in rows.columns})
    if "patient" not in filled.columns:
        raise CountsError("missing column patient")
    numbers = whole_numbers(filled, ["exit_day", "events", *absent])
    numbered = filled.with_columns(
        numbers.get_columns(), patient=filled.get_column("patient").rank("dense").cast(pl.Int64)
    )
    numbered = numbered.sort("patient", "entry_day", "exit_day")
    unequal = (pl.col("patient") == pl.col("patient").shift(1)) & (pl.col("alike") != pl.col("alike").shift(1))
    refuse(
        numbered,
        {
            "patient is missing": pl.col("patient").is_null(),
            **{f"{name} is negative": pl.col(name) < 0 for name in ("events", *optional)},
            "alike is below 1": pl.col("alike") < 1,
            "alike differs in a patient": unequal,
        },
        day="exit_day",
    )
    return numbered


def refuse_overlaps(rows: pl.DataFrame, last: str, problem: str) -> None:
    """Refuse rows of one patient that share days, or that follow a row whose column `last` is 1.

    rows: from `person_rows`. Raises: CountsError, naming the first day at fault.
    """
    same = pl.col("patient") == pl.col("patient").shift(1)
    overlap = (pl.col("entry_day") < pl.col("exit_day").shift(1)) | (pl.col("entry_day") <= 0)
    refuse(
        rows,
        {"two stretches of a patient overlap": same & overlap, problem: same & (pl.col(last).shift(1) == 1)},
        day="exit_day",
    )
