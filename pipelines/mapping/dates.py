"""Dates as sites write them: declared forms, and YYYY-MM-DD, which is unambiguous and always read.

A form is made of %d (day), %m (month), %b (name of the month or its first letters, in English, German, French or
Spanish), %Y (year of four digits), %y (year of two: 70-99 is 1970-1999, the others 2000-2069) and the signs between.
A time of day behind the date is passed over. A form without %d knows the month alone, one without %m the year alone;
such a date is put on the 15th or the first of July, and only where the record has a field for its precision.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import combinations

import polars as pl

from registry.definition.row_checks import NO_SUCH_DATE, WRONG_FORMAT

from .codes import broken_where
from .words import plain

ISO = "%Y-%m-%d"
_PARTS = {
    "%d": r"(?P<day>[0-9]{1,2})",
    "%m": r"(?P<month>[0-9]{1,2})",
    "%b": r"(?P<name>\p{L}{3,12})\.?",
    "%Y": r"(?P<year>[0-9]{4})",
    "%y": r"(?P<year>[0-9]{2})",
}
_CLOCK = r"(?:[ T]+[0-9]{1,2}:[0-9]{2}(?::[0-9]{2}(?:[.,][0-9]+)?)?Z?)?"
_MONTH_NAMES = (
    "january januar janvier enero",
    "february februar fevrier febrero feb",
    "march marz maerz mars marzo mrz",
    "april avril abril",
    "may mai mayo",
    "june juni juin junio",
    "july juli juillet julio",
    "august aout agosto",
    "september septembre septiembre sept",
    "october oktober octobre octubre",
    "november novembre noviembre",
    "december dezember decembre diciembre",
)


def _month_numbers() -> dict[str, str]:
    """Names of months and their beginnings of three letters or more, where they belong to one month alone."""
    found: dict[str, set[int]] = {}
    for number, names in enumerate(_MONTH_NAMES, start=1):
        for name in names.split():
            for length in range(3, len(name) + 1):
                found.setdefault(name[:length], set()).add(number)
    return {name: f"{numbers.pop()}" for name, numbers in found.items() if len(numbers) == 1}


_MONTHS = _month_numbers()


def directives(form: str) -> list[str]:
    """The parts of a form, `%d` and so on."""
    return re.findall(r"%.", form.replace("%-", "%").replace("%B", "%b"))


def precision_of(form: str) -> str:
    """day, month or year: what a date of that form tells."""
    parts = directives(form)
    return "day" if "%d" in parts else "month" if {"%m", "%b"} & set(parts) else "year"


def form_fault(form: str) -> str | None:
    """What is wrong with a form; None where it can be read."""
    parts = directives(form)
    unknown = [part for part in parts if part not in _PARTS]
    if unknown:
        return f"{unknown[0]} is no part of a date. Use %d, %m, %b, %Y and %y, such as %d.%m.%Y."
    kinds = ["%m" if part == "%b" else part.replace("y", "Y") for part in parts]
    if sorted(kinds) not in (["%Y", "%d", "%m"], ["%Y", "%m"], ["%Y"]):
        return "a date needs its year, month and day once each, such as %d.%m.%Y; or year and month, or the year alone."
    if re.search(r"%[dmYy]%[dmYy]", form) and form not in ("%Y%m%d", "%d%m%Y"):
        return "signs must separate the parts, except in %Y%m%d and %d%m%Y."
    return None


def conflicting_forms(forms: Sequence[str]) -> tuple[str, str] | None:
    """Two forms that would read the same text as different days; None where there are none.

    >>> conflicting_forms(["%d/%m/%Y", "%m/%d/%Y"]), conflicting_forms(["%d.%m.%Y", "%m/%Y"])
    (('%d/%m/%Y', '%m/%d/%Y'), None)
    """
    for one, other in combinations(dict.fromkeys([*forms, ISO]), 2):
        for text, form in ((_example(one), other), (_example(other), one)):
            parsed = date_values(pl.Series([text]), (form,), allow_iso=False)[0]
            meant = date_values(pl.Series([text]), (other if form == one else one,), allow_iso=False)[0]
            if parsed[0] is not None and parsed[0] != meant[0]:
                return one, other
    return None


def _example(form: str) -> str:
    """The third of February 2001."""
    for part, text in (("%d", "03"), ("%m", "02"), ("%b", "Feb"), ("%Y", "2001"), ("%y", "01")):
        form = form.replace("%-", "%").replace("%B", "%b").replace(part, text)
    return form


def pattern_of(form: str) -> str:
    """The regular expression of a form."""
    pieces = re.split(r"(%.)", form.replace("%-", "%").replace("%B", "%b").strip())
    fixed_width = form in ("%Y%m%d", "%d%m%Y")
    body = "".join(
        (_PARTS[piece].replace("{1,2}", "{2}") if fixed_width else _PARTS[piece])
        if piece in _PARTS
        else r"\s*".join(re.escape(sign) for sign in re.split(r"\s+", piece))
        for piece in pieces
    )
    return rf"^\s*{body}{_CLOCK}$"


def date_values(
    text: pl.Series, forms: Sequence[str], *, allow_iso: bool = True
) -> tuple[pl.Series, pl.Series, pl.Series]:
    """Dates as YYYY-MM-DD, null where unreadable; their precision; and the rule that an unreadable one breaks."""
    value = pl.repeat(None, text.len(), dtype=pl.String, eager=True)
    precision, written = value, pl.repeat(False, text.len(), eager=True)
    for form in dict.fromkeys([*forms, *([ISO] if allow_iso else [])]):
        iso = _iso_text(text, form)
        matches = iso.is_not_null() & ~written
        written = written | matches
        value = value.zip_with(~matches, iso)
        precision = precision.zip_with(~matches, pl.repeat(precision_of(form), text.len(), eager=True))
    real = value.str.to_date(ISO, strict=False)
    absent = written & real.is_null()
    rules = broken_where(absent, NO_SUCH_DATE).zip_with(
        ~(text.is_not_null() & ~written), pl.repeat(WRONG_FORMAT, text.len(), eager=True)
    )
    return value.set(absent, None), precision.set(real.is_null(), None), rules


def _iso_text(text: pl.Series, form: str) -> pl.Series:
    """Dates of a form with their parts put in the order of ISO 8601, in the calendar or not; null where not of it."""
    parts = text.str.extract_groups(pattern_of(form)).struct.unnest()
    names = parts.columns
    year = parts["year"]
    if "%y" in directives(form):
        two = year.cast(pl.Int32, strict=False)
        year = (two + 1900).zip_with(two.fill_null(99) >= 70, two + 2000).cast(pl.String)
    if "name" in names:
        distinct = parts["name"].drop_nulls().unique()
        numbers = pl.Series([_MONTHS.get(plain(name)) for name in distinct], dtype=pl.String)
        month = parts["name"].replace_strict(distinct, numbers, default=None, return_dtype=pl.String)
    else:
        month = parts["month"] if "month" in names else pl.repeat("7", text.len(), eager=True)
    day = (
        parts["day"]
        if "day" in names
        else pl.repeat("15" if precision_of(form) == "month" else "1", text.len(), eager=True)
    )
    return pl.select(
        pl.concat_str([year, pl.lit("-"), month.str.zfill(2), pl.lit("-"), day.str.zfill(2)]).alias("date")
    ).to_series()
