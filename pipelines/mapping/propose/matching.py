"""How well a column fits a field: by the words of its name, and by its values."""

from __future__ import annotations

from difflib import SequenceMatcher
from functools import lru_cache

from registry import Settings
from registry.definition import Field, Kind, RecordType

from ..units import CLOCK, factor, known_units
from .columns import SEPARATORS, Column
from .vocabulary import code_answers, field_names
from .words_fit import answers_known

ACCEPTED = 0.62
"""A column that fits no field better than this is left undecided."""
_CLOSE = 0.8
_TIME_FIELDS = frozenset({"hours", "minutes"})


def fit(column: Column, record: RecordType, field: Field, settings: Settings | None) -> float:
    """From 0 (not at all) to 1. Without a word in common nothing fits, whatever the values."""
    names = field_names(record, field)
    name = max(name_fit(column.words, names), name_fit(column.short_words, names))
    if column.unit is not None and field.unit is not None and column.unit not in known_units(field):
        return 0.0
    if column.hairs and not (field.unit or "").startswith("hairs"):
        return 0.0
    return name * (0.55 + 0.45 * value_fit(column, field, settings)) if name else 0.0


@lru_cache(maxsize=100_000)
def name_fit(words: tuple[str, ...], names: tuple[tuple[str, ...], ...]) -> float:
    """How well the words of a column fit the best of several names, from 0 to 1."""
    return max((_similar(words, name) for name in names), default=0.0)


@lru_cache(maxsize=500_000)
def _similar(words: tuple[str, ...], name: tuple[str, ...]) -> float:
    one, other = "".join(words), "".join(name)
    if not one or not other:
        return 0.0
    if one == other:
        return 1.0
    if set(words) == set(name):
        return 0.97
    if {word for word in words if word.isdigit()} != {word for word in name if word.isdigit()}:
        return 0.0
    if len(words) == len(name) and all(map(_begins, words, name)):
        return 0.9
    part = 0.0
    if set(name) < set(words):
        part = 0.6 + 0.35 * len(other) / len(one)
    elif set(words) < set(name) and len(one) >= 4:
        part = 0.55 + 0.35 * len(one) / len(other)
    matcher = SequenceMatcher(None, one, other, autojunk=False)
    if min(len(one), len(other)) >= 4 and matcher.real_quick_ratio() >= _CLOSE and matcher.quick_ratio() >= _CLOSE:
        ratio = matcher.ratio()
        part = max(part, 0.95 * ratio if ratio >= _CLOSE else 0.0)
    return part


def _begins(word: str, other: str) -> bool:
    """Whether a word is the other one, or an abbreviation of it by its first letters."""
    return word == other or (len(word) >= 4 and other.startswith(word))


def value_fit(column: Column, field: Field, settings: Settings | None) -> float:
    """How well the values fit what the field holds, from 0 to 1; 0.5 where there are none."""
    if column.texts.is_empty():
        return 0.5
    match field.kind:
        case Kind.PSEUDONYM:
            return max(column.pseudonym_share, 0.3)
        case Kind.DATE:
            return float(column.are_dates or bool(column.mixed_date_forms))
        case Kind.INTEGER | Kind.NUMBER:
            return _number_fit(column, field)
        case Kind.CODE | Kind.YES_NO | Kind.CODE_SET:
            return _code_fit(column, field)
        case Kind.SITE | Kind.SURGEON:
            codes = () if settings is None else settings.sites if field.kind is Kind.SITE else settings.surgeons
            known = column.texts.is_in([*codes, *field.also_allowed]).mean() if codes else 0.6
            return max(float(known or 0.0), 0.5 if column.answers is not None else 0.0)  # type: ignore[arg-type]
        case Kind.QUARTER:
            assert field.pattern is not None
            return float(column.texts.str.contains(field.pattern).all())
        case _:
            return float((column.texts.str.len_chars() <= 2).all())


def _number_fit(column: Column, field: Field) -> float:
    if field.unit in _TIME_FIELDS and column.clock_share > 0.9:
        return 1.0
    if field.unit == "days" and column.are_dates:
        return 1.0
    return column.number_share if column.number_share > 0.5 else 0.0


def _code_fit(column: Column, field: Field) -> float:
    if column.answers is None and field.kind is not Kind.CODE_SET:
        return 0.0
    known = answers_known(column.texts.head(500), code_answers(field), separator_of(column, field))
    return 0.25 + 0.75 * known


def separator_of(column: Column, field: Field) -> str | None:
    """The sign between the answers of a set: the one that leaves the most of them known; None for single answers."""
    if field.kind is not Kind.CODE_SET:
        return None
    texts, answers = column.texts.head(500), code_answers(field)
    present = [sign for sign in SEPARATORS if texts.str.contains(sign, literal=True).any()]
    return max(present, key=lambda sign: answers_known(texts, answers, sign), default=SEPARATORS[0])


def likely_unit(column: Column, field: Field) -> str | None:
    """The unit in which the numbers of a column without a named unit must come: None where the field's own fits.

    Numbers of which most lie outside the field's range fit another unit, if there is one in which nearly all fit.
    """
    if field.low is None or field.high is None or column.number_share < 0.9:
        return CLOCK if field.unit in _TIME_FIELDS and column.clock_share > 0.9 else None
    numbers = column.texts.str.replace(",", ".", literal=True).cast(float, strict=False).drop_nulls()
    if numbers.is_empty() or numbers.is_between(field.low, field.high).mean() > 0.5:  # type: ignore[operator]
        return None
    fitting = [
        unit
        for unit in known_units(field)
        if unit != CLOCK and (numbers * factor(field, unit)).is_between(field.low, field.high).mean() > 0.95  # type: ignore[operator]
    ]
    return fitting[0] if len(fitting) == 1 else None
