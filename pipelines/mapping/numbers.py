"""Numbers as sites write them: decimal signs, signs for thousands, units.

A text file holds numbers as somebody wrote them, and the mapping says with which signs. A workbook holds numbers as
numbers, which come with a decimal point in any language, beside numbers that were typed as text. There `2.500` under
a decimal comma could be two and a half or two thousand and a half: no number cell gives trailing zeros, so it is
text, and refused unless the mapping declares a sign for thousands. The same holds for three decimals of a whole
number in any file. What can be read in two ways is never guessed.
"""

from __future__ import annotations

import re

import polars as pl

from registry.definition import Field, Kind
from registry.definition.row_checks import WRONG_FORMAT

from .codes import broken_where
from .faults import AMBIGUOUS_VALUE
from .model import Reading
from .units import CLOCK, factor

_DECIMALS = 6
_LARGEST = 1e12


def number_values(
    text: pl.Series, field: Field, reading: Reading, has_number_cells: bool
) -> tuple[pl.Series, pl.Series]:
    """The number in the field's unit, as the registry writes it, and the rule that an unreadable one breaks."""
    if reading.unit == CLOCK:
        written, ambiguous = _clock_minutes(text), pl.repeat(False, text.len(), eager=True)
    else:
        bare = text.str.replace(rf"\s*{re.escape(reading.unit)}$", "") if reading.unit else text
        written, ambiguous = _with_point(bare, reading, has_number_cells, field.kind is Kind.INTEGER)
        if field.kind is Kind.INTEGER and reading.unit is None:
            ambiguous = ambiguous | _three_decimals(bare, reading)
            written = _where(~ambiguous, written)
    if (reading.unit is not None and (by := factor(field, reading.unit)) != 1) or reading.unit == CLOCK:
        written = _multiplied(written, by)
    if field.kind is Kind.INTEGER:
        written = written.str.replace(r"\.0*$", "")
        written = _where(~written.str.contains(".", literal=True), written)
    wrong = text.is_not_null() & written.is_null()
    rules = broken_where(wrong, WRONG_FORMAT).zip_with(~ambiguous, pl.repeat(AMBIGUOUS_VALUE, text.len(), eager=True))
    return written, rules


def _with_point(text: pl.Series, reading: Reading, has_number_cells: bool, whole: bool) -> tuple[pl.Series, pl.Series]:
    """The number with a decimal point and nothing else, null where unreadable; and where it could be two numbers."""
    decimal = re.escape(reading.decimal)
    plain_form = rf"^[-+]?(?:[0-9]+(?:{decimal}[0-9]*)?|{decimal}[0-9]+)$"
    number = _where(text.str.contains(plain_form), text.str.replace(reading.decimal, ".", literal=True))
    ambiguous = pl.repeat(False, text.len(), eager=True)
    if has_number_cells and reading.decimal == ",":
        cell_form = text.str.contains(r"^[-+]?[0-9]*\.[0-9]+$")
        three = text.str.contains(r"^[-+]?[0-9]{1,3}\.[0-9]{3}$")
        typed = text.str.ends_with("0")
        if reading.thousands == ".":
            ambiguous = three & ~typed & (not whole)
            number = number.zip_with(~(cell_form & ~three), text)
        else:
            ambiguous = three & typed
            number = number.zip_with(~(cell_form & ~ambiguous), text)
    if reading.thousands is not None:
        sign = r"[ \x{a0}\x{202f}]" if reading.thousands == " " else re.escape(reading.thousands)
        grouped = text.str.contains(rf"^[-+]?[0-9]{{1,3}}(?:{sign}[0-9]{{3}})+(?:{decimal}[0-9]+)?$")
        joined = text.str.replace_all(sign, "").str.replace(reading.decimal, ".", literal=True)
        number = number.zip_with(~grouped.fill_null(False) | ambiguous.fill_null(False), joined)
    ambiguous = ambiguous.fill_null(False)
    return _where(~ambiguous, number).str.strip_prefix("+"), ambiguous


def _three_decimals(text: pl.Series, reading: Reading) -> pl.Series:
    """Where a whole number has three decimals, as `2.000`: somebody's two thousand, more likely than a two."""
    form = text.str.contains(rf"^[-+]?[0-9]{{1,3}}{re.escape(reading.decimal)}[0-9]{{3}}$")
    return form.fill_null(False)


def _clock_minutes(text: pl.Series) -> pl.Series:
    parts = text.str.extract_groups(r"^([0-9]{1,2}):([0-5][0-9])(?::([0-5][0-9])(?:\.0+)?)?$").struct.unnest()
    hours, minutes, seconds = (parts.to_series(position).cast(pl.Float64) for position in range(3))
    return (hours * 60 + minutes + seconds.fill_null(0) / 60).cast(pl.String)


def _multiplied(written: pl.Series, by: float) -> pl.Series:
    """The product as text with at most six decimals; null where it is beyond any field."""
    value = written.cast(pl.Float64, strict=False) * by
    value = _where(value.abs() < _LARGEST, value.round(_DECIMALS))
    fixed = value.cast(pl.Decimal(20, _DECIMALS), strict=False).cast(pl.String)
    return fixed.str.replace(r"(\.\d*?)0+$", "${1}").str.replace(r"\.$", "")


def _where(mask: pl.Series, values: pl.Series) -> pl.Series:
    """The values where the mask is true, else null."""
    return values.set(~mask.fill_null(False), None)
