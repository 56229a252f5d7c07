"""Text in a field that takes a code, a number or a date: what is neither an answer nor a slip of the pen from one."""

from __future__ import annotations

import re
from collections.abc import Collection

import polars as pl

from registry.definition import SET_SEPARATOR, Field, Kind

from .dates import WHOLE_DATE
from .kinds import IdentifierKind
from .vocabulary import is_answer_word, is_near_a_code
from .words import folded

_SETTINGS_CODE = r"^[A-Za-z][A-Za-z0-9_-]{0,23}$"
_WORD = re.compile(r"[^\W\d_]+")
_LONG_WORD = re.compile(r"[^\W\d_]{4}")
_LONGEST_WORD_ALONE, _MOST_WORDS = 3, 4
_MOST_JUDGED = 2_000
"""A field with more distinct texts that tell holds free text: what is left is judged by its length alone."""


def doubtful_texts(distinct: pl.Series, field: Field, settings_codes: Collection[str]) -> pl.Series:
    """Those of the distinct values of a declared field that are not plainly an answer. distinct: text, no nulls.

    settings_codes: the site or surgeon codes of the settings; none where they are not known.
    """
    return distinct.filter(~distinct.to_frame("value").select(_plainly_allowed(field, settings_codes)).to_series())


def texts_that_tell(doubtful: pl.Series, field: Field, settings_codes: Collection[str]) -> dict[str, IdentifierKind]:
    """Those of the doubtful texts that are words, or dates, where the field takes something else."""
    found = dict.fromkeys(_stray(doubtful, field, settings_codes), IdentifierKind.FREE_TEXT)
    if field.kind is not Kind.DATE:
        dates = doubtful.filter(doubtful.str.strip_chars().str.contains(WHOLE_DATE))
        found |= dict.fromkeys(dates.to_list(), IdentifierKind.FULL_DATE)
    return found


def _plainly_allowed(field: Field, settings_codes: Collection[str]) -> pl.Expr:
    value = pl.col("value")
    match field.kind:
        case Kind.CODE:
            assert field.codes is not None
            return value.is_in(list(field.codes.names))
        case Kind.YES_NO:
            return value.is_in(["yes", "no"])
        case Kind.SITE | Kind.SURGEON:
            return value.is_in([*settings_codes, *field.also_allowed])
        case Kind.INTEGER:
            return value.str.contains(r"^-?[0-9]{1,7}$")
        case Kind.NUMBER:
            return value.str.contains(r"^-?(?:[0-9]{1,7}(?:\.[0-9]{0,20})?|\.[0-9]{1,20})$")
        case _:
            assert field.pattern is not None
            return value.str.contains(field.pattern)


def _stray(doubtful: pl.Series, field: Field, settings_codes: Collection[str]) -> list[str]:
    found: list[str] = []
    for value in doubtful:
        full = len(found) >= _MOST_JUDGED
        if _LONG_WORD.search(value) if full else _is_stray(value, field, settings_codes):
            found.append(value)
    return found


def _is_stray(value: str, field: Field, settings_codes: Collection[str]) -> bool:
    if field.kind in (Kind.SITE, Kind.SURGEON) and not settings_codes and re.match(_SETTINGS_CODE, value):
        return False
    parts = value.split(SET_SEPARATOR) if field.kind is Kind.CODE_SET else [value]
    return any(_is_stray_part(part, field, settings_codes) for part in parts)


def _is_stray_part(part: str, field: Field, settings_codes: Collection[str]) -> bool:
    words = [word for word in _WORD.findall(folded(part)) if len(word) > 1]
    if not words or (len(words) == 1 and len(words[0]) <= _LONGEST_WORD_ALONE):
        return False
    if len(words) > _MOST_WORDS:
        return True
    return not all(map(is_answer_word, words)) and not is_near_a_code(part, field, settings_codes)
