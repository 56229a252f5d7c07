"""How a field's column is read: codes, units, signs and date forms of a mapping, checked against the definition."""

from __future__ import annotations

import re
from collections.abc import Mapping as MappingOf
from dataclasses import dataclass

from registry import Settings
from registry.definition import SET_SEPARATOR, Field, Kind, RecordType
from registry.errors import nearest

from ._toml import TODO, Table
from .codes import own_codes
from .dates import conflicting_forms, form_fault, precision_of
from .model import NO_RECORD, Reading
from .units import counts_hairs, known_units, unit_name
from .words import plain

DEFAULT_KEYS = ("date_format", "decimal", "thousands")
READING_KEYS = (*DEFAULT_KEYS, "codes", "empty_means", "unit", "separator")
_CODED = (Kind.CODE, Kind.CODE_SET, Kind.YES_NO)
_NUMBERS = (Kind.INTEGER, Kind.NUMBER)


@dataclass(frozen=True)
class Defaults:
    """What holds for every column that says nothing else."""

    date_formats: tuple[str, ...] = ()
    decimal: str = "."
    thousands: str | None = None


def defaults_of(table: Table, outer: Defaults) -> Defaults:
    """The defaults of the whole mapping or of a source."""
    forms = _date_formats(table, outer.date_formats)
    decimal = table.text("decimal", outer.decimal)
    thousands = table.text("thousands", outer.thousands)
    if decimal not in (".", ","):
        table.fault("decimal", "must be '.' or ','.")
        decimal = outer.decimal
    if thousands is not None and (thousands not in (".", ",", "'", " ") or thousands == decimal):
        table.fault("thousands", "must be '.', ',', a space or an apostrophe, and another sign than decimal.")
        thousands = None
    return Defaults(forms, decimal or ".", thousands)


def _date_formats(table: Table, outer: tuple[str, ...]) -> tuple[str, ...]:
    forms = table.texts("date_format", outer)
    if "date_format" not in table.data:
        return outer
    for form in forms:
        if what := form_fault(form):
            table.fault("date_format", what)
            return outer
    if conflict := conflicting_forms(forms):
        table.fault(
            "date_format",
            f"{conflict[0]} and {conflict[1]} would read the same text as different days.",
            "Leave one of them; a column that mixes both cannot be read.",
        )
        return outer
    return forms


def precision_field(record: RecordType, field: Field) -> Field | None:
    """The field that tells how exactly a date is known, where the record has one."""
    partner = field.name.removesuffix("_on") + "_precision"
    return next((found for found in record.fields if found.name == partner), None) if field.kind is Kind.DATE else None


def reading_of(
    table: Table,
    field: Field,
    record: RecordType,
    defaults: Defaults,
    named_codes: MappingOf[str, MappingOf[str, str]],
    settings: Settings | None,
) -> Reading:
    """How one field's column is read."""
    own = defaults_of(table, defaults)
    forms = own.date_formats if field.kind is Kind.DATE or "days_since" in table.data else ()
    if precision_field(record, field) is None:
        if "date_format" in table.data and any(precision_of(form) != "day" for form in forms):
            table.fault("date_format", "needs day, month and year: this field is a day.")
        forms = tuple(form for form in forms if precision_of(form) == "day")
    codes = {**own_codes(field), **_translations(table, field, named_codes, settings)}
    return Reading(
        codes=codes,
        empty_means=_empty_means(table, field),
        unit=_unit(table, field),
        decimal=own.decimal,
        thousands=own.thousands,
        date_formats=forms,
        separator=_separator(table, field),
    )


def _translations(
    table: Table, field: Field, named_codes: MappingOf[str, MappingOf[str, str]], settings: Settings | None
) -> dict[str, str]:
    if "codes" not in table.data:
        return {}
    name = table.data["codes"]
    if isinstance(name, str):
        if name.startswith(TODO):
            table.undecided("codes")
            return {}
        if name not in named_codes:
            table.fault("codes", f"there is no table [codes.{name}]. {nearest(name, list(named_codes))}")
            return {}
        answers, where = dict(named_codes[name]), f"codes.{name}"
    else:
        answers, where = table.text_table("codes"), "codes"
    if field.kind in (Kind.DATE, Kind.PSEUDONYM, Kind.QUARTER):
        table.fault("codes", f"a {field.kind} has no codes.")
        return {}
    return checked_codes(table, where, answers, field, settings)


def checked_codes(
    table: Table, where: str, answers: MappingOf[str, str], field: Field, settings: Settings | None
) -> dict[str, str]:
    """Answers as `plain` has them, to codes of the field."""
    found: dict[str, str] = {}
    for answer, code in answers.items():
        if what := code_fault(field, code, settings):
            table.fault(where, f"'{code}' {what}")
        elif found.setdefault(plain(answer), code) != code:
            table.fault(where, f"'{answer}' stands twice, for different codes; case, accents and spaces do not count.")
    return found


def code_fault(field: Field, code: str, settings: Settings | None) -> str | None:
    """Why a code does not fit the field; None where it does."""
    if code in ("", NO_RECORD):
        return None
    match field.kind:
        case Kind.YES_NO:
            return None if code in ("yes", "no") else "is neither yes nor no."
        case Kind.CODE:
            assert field.codes is not None
            return None if code in field.codes.names else f"is no code of {field.name}. {_near(code, field)}"
        case Kind.CODE_SET:
            assert field.pattern is not None
            fits = re.fullmatch(field.pattern, code)
            return None if fits else f"is no code of {field.name}. {_near(code, field)}"
        case Kind.SITE | Kind.SURGEON if settings is not None:
            known = (settings.sites if field.kind is Kind.SITE else settings.surgeons) + field.also_allowed
            return None if code in known else f"is no {field.kind} of the settings."
        case Kind.INTEGER | Kind.NUMBER:
            assert field.pattern is not None
            return None if re.fullmatch(field.pattern, code) else "is no number."
        case Kind.AREA_LABEL:
            assert field.pattern is not None
            return None if re.fullmatch(field.pattern, code) else "is no letter from A to Z."
        case _:
            return None


def _near(code: str, field: Field) -> str:
    assert field.codes is not None
    return nearest(code, list(field.codes.names))


def _empty_means(table: Table, field: Field) -> str | None:
    code = table.text("empty_means")
    if code is None:
        return None
    if field.kind not in _CODED:
        table.fault("empty_means", "goes with codes and yes/no alone.")
    elif what := code_fault(field, code, None):
        table.fault("empty_means", f"'{code}' {what}")
    else:
        return code
    return None


def _unit(table: Table, field: Field) -> str | None:
    text = table.text("unit")
    if text is None:
        return None
    known = known_units(field)
    unit = unit_name(text)
    if counts_hairs(text) and not (field.unit or "").startswith("hairs"):
        table.fault(
            "unit",
            "hairs are not follicular units: a graft holds one to four, and no factor turns one into the other.",
            "Drop the column, or send counts of follicular units.",
        )
    elif not known:
        table.fault("unit", f"{field.name} has no unit to convert.")
    elif unit not in known:
        table.fault("unit", f"'{text}' cannot be converted to {field.unit}. Known: {', '.join(known)}.")
    else:
        return unit
    return None


def _separator(table: Table, field: Field) -> str:
    separator = table.text("separator", SET_SEPARATOR) or ""
    if "separator" in table.data and field.kind is not Kind.CODE_SET:
        table.fault("separator", "goes with sets of codes alone.")
    elif not separator.strip() and separator != " ":
        table.fault("separator", "must be a sign, such as ','.")
    return separator or SET_SEPARATOR
