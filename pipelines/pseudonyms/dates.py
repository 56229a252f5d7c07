"""Dates of a site's table: how they are read, and which columns hold them."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from registry import GraftledgerError

from ..identifiers.dates import WHOLE_DATE
from ..mapping.dates import conflicting_forms, date_values, form_fault, precision_of

HOW_TO_READ = "Say how dates are written: --date-format, such as %d.%m.%Y."


def check_forms(forms: Sequence[str]) -> None:
    """Raises: GraftledgerError where a form of dates cannot be read, knows no day, or contradicts another."""
    for form in forms:
        fault = form_fault(form) or ("it knows no day." if precision_of(form) != "day" else None)
        if fault:
            raise GraftledgerError(f"The date format '{form}' cannot be used: {fault}")
    if conflict := conflicting_forms(forms):
        raise GraftledgerError(f"The date formats '{conflict[0]}' and '{conflict[1]}' read the same text as two days.")


def as_dates(column: pl.Series, forms: Sequence[str]) -> pl.Series:
    """The column as dates; null where it is empty or no date of these forms or YYYY-MM-DD."""
    return date_values(column, forms)[0].str.to_date("%Y-%m-%d", strict=False)


def date_columns(frame: pl.DataFrame, forms: Sequence[str]) -> tuple[dict[str, pl.Series], dict[str, pl.Series]]:
    """The columns that hold dates and nothing else, as dates; and those that hold some, as true where a date is unread.

    A date that no form reads, or a text beside dates, makes a column one of the second kind.
    """
    whole: dict[str, pl.Series] = {}
    mixed: dict[str, pl.Series] = {}
    for name in frame.columns:
        column = frame[name]
        dates = as_dates(column, forms)
        read = dates.is_not_null()
        dated = read | column.str.strip_chars().str.contains(WHOLE_DATE).fill_null(False)
        unread = column.is_not_null() & ~read
        if read.any() and not unread.any():
            whole[name] = dates
        elif dated.any():
            mixed[name] = unread
    return whole, mixed
