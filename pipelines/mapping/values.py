"""The values of one field, and the rules that unreadable ones break."""

from __future__ import annotations

from collections.abc import Mapping as MappingOf
from collections.abc import Sequence

import polars as pl

from registry.definition import SET_SEPARATOR, Field, Kind

from .codes import broken_where, code_sets, code_values, translated
from .dates import ISO, date_values
from .faults import UNKNOWN_START
from .model import FromColumn, FromYesColumns, Reading
from .numbers import number_values


def nothing(height: int) -> pl.Series:
    """A column of texts that are all empty."""
    return pl.repeat(None, height, dtype=pl.String, eager=True)


def read_values(text: pl.Series, field: Field, reading: Reading, has_number_cells: bool) -> tuple[pl.Series, pl.Series]:
    """The values of a column as the registry writes them, and the rules that unreadable ones break."""
    match field.kind:
        case Kind.CODE | Kind.YES_NO:
            return code_values(text, reading)
        case Kind.CODE_SET:
            return code_sets(text, reading)
        case Kind.DATE:
            values, _, rules = date_values(text, reading.date_formats)
            return values, rules
        case Kind.INTEGER | Kind.NUMBER:
            code = translated(text, reading.codes) if reading.codes else nothing(text.len())
            values, rules = number_values(text.set(code.is_not_null(), None), field, reading, has_number_cells)
            return values.zip_with(code.is_null(), code.replace("", None)), rules
        case _:
            code = translated(text, reading.codes) if reading.codes else text
            return code.fill_null(text).replace("", None), nothing(text.len())


def days_of(
    text: pl.Series, frame: pl.DataFrame, source: FromColumn, columns: MappingOf[str, str]
) -> tuple[pl.Series, pl.Series]:
    """Days between two dates of the row; for a date of the parent, the date itself, to be counted later."""
    forms = source.reading.date_formats
    values, _, rules = date_values(text, forms)
    if source.start_column is None:
        return values, rules
    start, _, start_rules = date_values(frame[columns[source.start_column]], forms)
    missing = broken_where(values.is_not_null() & start.is_null(), UNKNOWN_START)
    return days_between(start, values), rules.fill_null(start_rules.set(values.is_null(), None)).fill_null(missing)


def as_date(text: pl.Series) -> pl.Series:
    """Dates from their text YYYY-MM-DD."""
    return text.str.to_date(ISO, strict=False)


def days_between(start: pl.Series, end: pl.Series) -> pl.Series:
    """Days from one date to another, as text."""
    return (as_date(end) - as_date(start)).dt.total_days().cast(pl.String)


def days_later(text: pl.Series, days: int) -> pl.Series:
    """Dates so many days later, as text."""
    return as_date(text).dt.offset_by(f"{days}d").dt.to_string("iso")


def set_of_yes(texts: Sequence[tuple[pl.Series, str]], source: FromYesColumns) -> tuple[pl.Series, pl.Series]:
    """The codes whose columns say yes. All no is its own code or empty; all empty is empty."""
    rules = nothing(texts[0][0].len())
    answers = []
    for text, code in texts:
        answer, broken = code_values(text, source.reading)
        rules = rules.fill_null(broken)
        answers.append((answer, code))
    ordered = sorted(answers, key=lambda pair: pair[1])
    chosen = pl.select(
        pl.concat_str(
            [
                pl.when(pl.lit(answer) == "yes").then(pl.lit(code)).otherwise(pl.lit(None, pl.String))
                for answer, code in ordered
            ],
            separator=SET_SEPARATOR,
            ignore_nulls=True,
        ).alias("set")
    ).to_series()
    chosen = chosen.replace("", None)
    if source.all_no is not None:
        all_no = pl.select(pl.all_horizontal(pl.lit(answer).eq_missing("no") for answer, _ in answers)).to_series()
        chosen = chosen.set(all_no, source.all_no)
    return chosen.set(rules.is_not_null(), None), rules
