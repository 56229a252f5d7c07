"""What a column looks like: words of its name, a unit in it, and its values."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from functools import cached_property

import polars as pl

from ..dates import date_values, precision_of
from ..units import all_units, counts_hairs, unit_name
from ..words import plain
from .vocabulary import field_words, telling_words

MOST_ANSWERS = 30
LONGEST_ANSWER = 40
# fmt: off
EMPTY_TEXTS = frozenset((
        "-", "--", "–", "—", ".", "/", "n/a", "na", "n.a.", "n. a.", "k.a.", "k. a.", "ka", "n/v", "#n/a",
        "#n/v", "null", "nan",
))
# fmt: on
SEPARATORS = (";", ",", "+", "/", "|", "&")
DATE_FORMS = (
    "%Y-%m-%d",
    "%d.%m.%Y",
    "%d.%m.%y",
    "%d/%m/%Y",
    "%m/%d/%Y",
    "%d-%m-%Y",
    "%m-%d-%Y",
    "%d/%m/%y",
    "%m/%d/%y",
    "%Y/%m/%d",
    "%Y.%m.%d",
    "%Y%m%d",
    "%d-%b-%Y",
    "%d %b %Y",
    "%d. %b %Y",
    "%b %d, %Y",
    "%m/%Y",
    "%m.%Y",
    "%b %Y",
    "%Y",
)
_BRACKETED = re.compile(r"[(\[]([^)\]]{1,20})[)\]]")
_NUMBER = r"^[-+]?[0-9]{1,9}(?:[.,][0-9]+)?$|^[-+]?[0-9]{1,3}(?:[.' \x{a0}\x{202f}][0-9]{3})+(?:,[0-9]+)?$"
_ENOUGH = 0.9


@dataclass(frozen=True)
class Column:
    """A column, or the columns of a repeated group taken together.

    name: in the sheet; with {label} where it stands for several.
    words: of the name, without its unit. short_words: without remarks in brackets and ranges of numbers either.
    unit: named in the name; None where there is none. hairs: whether it counts hairs.
    texts: the distinct values, texts that mean empty left out.
    row_count: filled cells. height: all cells.
    may_be_written: whether its values passed the check for identifiers, so that they may stand in the mapping.
    """

    name: str
    words: tuple[str, ...]
    short_words: tuple[str, ...]
    unit: str | None
    hairs: bool
    texts: pl.Series
    row_count: int
    height: int
    may_be_written: bool

    @cached_property
    def answers(self) -> tuple[str, ...] | None:
        """The distinct values where they are few and short enough to be answers to a question; else None."""
        if self.texts.len() > MOST_ANSWERS or (self.texts.str.len_chars() > LONGEST_ANSWER).any():
            return None
        return tuple(sorted(self.texts.to_list()))

    @cached_property
    def number_share(self) -> float:
        return _share(self.texts.str.contains(_NUMBER))

    @cached_property
    def clock_share(self) -> float:
        return _share(self.texts.str.contains(r"^[0-9]{1,2}:[0-5][0-9](?::[0-5][0-9])?$"))

    @cached_property
    def has_decimal_comma(self) -> bool:
        """Whether commas stand for decimals: not where every one has three digits behind it."""
        decimal = r"^[-+]?(?:[0-9.]*,(?:[0-9]{1,2}|[0-9]{4,})|0,[0-9]+|[0-9]{4,},[0-9]+|[0-9]+\.[0-9]{3},[0-9]+)$"
        return bool(self.texts.str.contains(decimal).any()) and self.number_share >= _ENOUGH

    @cached_property
    def thousands_sign(self) -> str | None:
        """The sign behind which there are always three digits, so that it may stand for thousands."""
        for sign in (".", ","):
            form = re.escape(sign)
            grouped = self.texts.str.contains(rf"^[0-9]{{1,3}}(?:{form}[0-9]{{3}})+(?:[.,][0-9]{{1,2}})?$")
            with_sign = self.texts.str.contains(sign, literal=True)
            if grouped.any() and bool((grouped | ~with_sign).all()):
                return sign
        return None

    @cached_property
    def date_forms(self) -> tuple[str, ...]:
        """The forms in which every date can be read, beside YYYY-MM-DD; empty where none does."""
        if self.texts.is_empty():
            return ()
        rest = self.texts.filter(date_values(self.texts, ())[2].is_not_null())
        if rest.is_empty():
            return (DATE_FORMS[0],)
        return tuple(form for form in DATE_FORMS[1:] if _share(date_values(rest, (form,))[2].is_null()) == 1.0)

    @cached_property
    def mixed_date_forms(self) -> tuple[str, ...]:
        """Forms that together read most dates, where no single one reads all: days, and months or years alone."""
        if self.texts.is_empty():
            return ()
        day = max((form for form in DATE_FORMS[1:16]), key=lambda form: self.readable((form,)))
        chosen = tuple(form for form in (day, *DATE_FORMS[16:]) if self.readable((form,)) > self.readable(()))
        return chosen if self.readable(chosen) >= _ENOUGH else ()

    def readable(self, forms: Sequence[str]) -> float:
        """The share of the distinct values that are dates of these forms, or YYYY-MM-DD."""
        return _share(date_values(self.texts, forms)[2].is_null())

    @cached_property
    def are_dates(self) -> bool:
        whole = [form for form in self.date_forms if precision_of(form) == "day"]
        return bool(whole) or self.readable(("%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y")) >= _ENOUGH

    @cached_property
    def pseudonym_share(self) -> float:
        return _share(self.texts.str.contains(r"^[A-Za-z0-9_-]{16,64}$"))


def _share(fits: pl.Series) -> float:
    return float(fits.fill_null(False).mean() or 0.0) if fits.len() else 0.0  # type: ignore[arg-type]


def make_column(name: str, values: Sequence[pl.Series], *, may_be_written: bool, named: str | None = None) -> Column:
    """A column from its values; `named` is what its name is told from, where that is not the whole of it."""
    filled = pl.concat([series.alias("value") for series in values]).drop_nulls()
    texts = filled.unique(maintain_order=True)
    texts = texts.filter(pl.Series([plain(text) not in EMPTY_TEXTS for text in texts], dtype=pl.Boolean))
    base, unit, hairs = _without_unit(named or name)
    height = sum(series.len() for series in values)
    short = re.sub(r"[(\[][^)\]]*[)\]]|[0-9]+ *[-–] *[0-9]+", " ", base)
    return Column(
        name, telling_words(base), telling_words(short), unit, hairs, texts, filled.len(), height, may_be_written
    )


def empty_texts(values: Collection[pl.Series]) -> set[str]:
    """The texts among the values that usually mean an empty cell."""
    found = set()
    for series in values:
        short = series.drop_nulls().unique()
        found |= {text for text in short.filter(short.str.len_chars() <= 5) if plain(text) in EMPTY_TEXTS}
    return found


def _without_unit(name: str) -> tuple[str, str | None, bool]:
    """The name without the unit in it, the unit, and whether that counts hairs.

    >>> _without_unit("Dauer (min)"), _without_unit("Area in²"), _without_unit("Dichte [Haare/cm²]")
    (('Dauer', 'min', False), ('Area', 'in2', False), ('Dichte', None, True))
    """
    if telling_words(name) in field_words():
        return name, None, False
    for bracketed in _BRACKETED.finditer(name):
        rest = (name[: bracketed.start()] + " " + name[bracketed.end() :]).strip()
        if counts_hairs(bracketed[1]):
            return rest, None, True
        if (unit := unit_name(bracketed[1])) in all_units():
            return rest, unit, False
    words = re.split(r"[\s_]+", name.strip())
    if len(words) > 1 and len(words[-1]) > 1 and (unit := unit_name(words[-1])) in all_units() and words[-1] != "in":
        before = words[:-1]
        return " ".join(before[:-1] if len(before) > 1 and before[-1] == "in" else before), unit, False
    return name, None, False
