"""A site's answers to the registry's codes."""

from __future__ import annotations

from collections.abc import Mapping as MappingOf

import polars as pl

from registry.definition import SET_SEPARATOR, Field, Kind
from registry.definition.row_checks import UNKNOWN_CODE

from .model import NO_RECORD, Reading
from .words import plain


def own_codes(field: Field) -> dict[str, str]:
    """The field's codes under their own names, which every site may use."""
    if field.kind is Kind.YES_NO:
        return {"yes": "yes", "no": "no"}
    return {plain(code): code for code in field.codes.names} if field.codes is not None else {}


def translated(text: pl.Series, codes: MappingOf[str, str]) -> pl.Series:
    """The code of each answer: '' for one that means empty, null for an empty or unknown one."""
    answers = text.drop_nulls().unique()
    found = pl.Series([codes.get(plain(answer)) for answer in answers], dtype=pl.String)
    return text.replace_strict(answers, found, default=None, return_dtype=pl.String)


def code_values(text: pl.Series, reading: Reading) -> tuple[pl.Series, pl.Series]:
    """The code of each answer, null where it is empty, and the rule that an unknown one breaks."""
    if reading.empty_means is not None:
        text = text.fill_null(reading.empty_means)
    codes = translated(text, reading.codes)
    return codes.replace("", None), broken_where(text.is_not_null() & codes.is_null(), UNKNOWN_CODE)


def code_sets(text: pl.Series, reading: Reading) -> tuple[pl.Series, pl.Series]:
    """The codes of each text of several answers, sorted and each once, and the rule that an unknown one breaks."""
    if reading.empty_means is not None:
        text = text.fill_null(reading.empty_means)
    distinct = text.drop_nulls().unique()
    sets = [_code_set(value, reading) for value in distinct]
    codes = text.replace_strict(distinct, pl.Series(sets, dtype=pl.String), default=None, return_dtype=pl.String)
    return codes.replace("", None), broken_where(text.is_not_null() & codes.is_null(), UNKNOWN_CODE)


def _code_set(text: str, reading: Reading) -> str | None:
    whole = reading.codes.get(plain(text))
    if whole is not None:
        return whole
    answers = [answer for part in text.split(reading.separator) if (answer := plain(part))]
    codes = {reading.codes.get(answer) for answer in answers}
    if None in codes or (NO_RECORD in codes and len(codes) > 1):
        return None
    return SET_SEPARATOR.join(sorted(code for code in codes if code))


def broken_where(mask: pl.Series, rule: str) -> pl.Series:
    """The rule where the mask is true, else null."""
    return pl.select(pl.when(mask).then(pl.lit(rule)).otherwise(pl.lit(None, pl.String)).alias("rule")).to_series()
