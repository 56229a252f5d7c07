"""What stands in a mapping for one field: the entry as TOML, with what is not decided marked as TODO."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping as MappingOf
from collections.abc import Sequence
from dataclasses import dataclass, field

from registry import Settings
from registry.definition import Field, Kind, RecordType

from .._toml import TODO
from ..codes import own_codes
from ..dates import precision_of
from ..model import LABEL, NO_RECORD
from ..units import CLOCK, factor
from ..words import plain
from .columns import MOST_ANSWERS, Column
from .labels import LabelGroup
from .matching import likely_unit, separator_of
from .vocabulary import code_answers
from .words_fit import answer_parts, known_code

CHECKS = {
    "swelling_since_last": "the worst since the last contact? If seen at the contact, this is swelling_now",
    "folliculitis_since_last": "at any time since the last contact? A count at the contact is folliculitis_lesions",
    "infection": "seen at the contact? If the deepest since the last contact, this is infection_since_last",
    "infection_since_last": "the deepest since the last contact? If seen at the contact, this is infection",
    "enrolled_on": "from when could a next session have been seen here?",
}
"""Fields that a column's name alone does not tell for sure, and what to ask."""
_NOTHING = frozenset(
    {"none", "no", "keine", "kein", "nein", "aucune", "aucun", "non", "ninguna", "ninguno", "no hay", "0"}
)
"""Answers that there was no complication."""
_BARE = re.compile(r"[A-Za-z0-9_-]+")
_NUMBERS = (Kind.INTEGER, Kind.NUMBER)
_CODED = (Kind.CODE, Kind.CODE_SET, Kind.YES_NO)


@dataclass(frozen=True)
class Surroundings:
    """What an entry can rely on.

    date_form: of the source; an entry names its own only where it differs.
    decimal_comma: whether the source declares it.
    session_date: how days are counted from the session: a column of the row, or a field of the session.
    has_number_cells: whether numbers come as numbers.
    """

    date_form: str | None
    decimal_comma: bool
    session_date: str | None
    has_number_cells: bool
    settings: Settings | None


@dataclass(frozen=True)
class Entry:
    """An entry of a mapping.

    parts: key to TOML value, `column` first. codes: answers to codes, which may be written once for several entries.
    comment: behind it.
    """

    parts: dict[str, str]
    codes: dict[str, str] = field(default_factory=dict)
    comment: str = ""


def toml_text(text: str) -> str:
    """A TOML string."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def toml_key(text: str) -> str:
    """A TOML key, in quotes where needed."""
    return text if _BARE.fullmatch(text) else toml_text(text)


def toml_list(texts: Sequence[str]) -> str:
    return "[" + ", ".join(map(toml_text, texts)) + "]"


def toml_table(pairs: MappingOf[str, str]) -> str:
    return "{ " + ", ".join(f"{toml_key(name)} = {toml_text(value)}" for name, value in pairs.items()) + " }"


def column_entry(
    column: Column, record: RecordType, declared: Field, group: LabelGroup | None, around: Surroundings
) -> Entry:
    """The entry of a field that a column feeds."""
    parts = {"column": _column_name(column, group)}
    codes: dict[str, str] = {}
    comment = ""
    if declared.kind in _CODED:
        codes, comment = _codes(column, record, declared)
        separator = separator_of(column, declared)
        if separator is not None and separator != ";" and column.texts.str.contains(separator, literal=True).any():
            parts["separator"] = toml_text(separator)
        if codes == {"": TODO}:
            codes = {}
            parts["codes"] = toml_text(f"{TODO}: {{ answer = code }}")
    elif declared.kind is Kind.DATE or (declared.unit == "days" and column.are_dates):
        comment = _date_parts(column, record, declared, around, parts)
        if declared.kind is not Kind.DATE:
            parts["days_since"] = toml_text(around.session_date or f"{TODO}: column or field with the surgery's date")
    elif declared.kind in _NUMBERS:
        comment = _number_parts(column, declared, around, parts)
    elif declared.kind in (Kind.SITE, Kind.SURGEON):
        parts, comment = _settings_codes(column, declared, around.settings, parts)
    elif declared.kind is Kind.PSEUDONYM and column.pseudonym_share < 1:
        comment = "not all are pseudonyms of 16 characters or more: see graftledger pseudonymise"
    if not comment and declared.name in CHECKS:
        comment = f"check: {CHECKS[declared.name]}"
    return Entry(parts, codes, comment)


def _column_name(column: Column, group: LabelGroup | None) -> str:
    if group is None or column.name not in group.columns:
        return toml_text(column.name)
    by_label = group.columns[column.name]
    regular = {label: column.name.replace(LABEL, label) for label in group.labels}
    return toml_text(column.name) if by_label == regular else toml_table(by_label)


def _codes(column: Column, record: RecordType, declared: Field) -> tuple[dict[str, str], str]:
    """Answers that need a translation; those that are codes already need none."""
    separator = separator_of(column, declared)
    parts = answer_parts(column.texts.head(10_000), separator)
    known, own = code_answers(declared), own_codes(declared)
    foreign = [part for part in parts if plain(part) not in own]
    if foreign and (len(parts) > MOST_ANSWERS or not column.may_be_written or any(len(part) > 40 for part in foreign)):
        return {"": TODO}, "write every answer and its code"
    codes: dict[str, str] = {}
    for answer in sorted(foreign, key=plain):
        if plain(answer) not in map(plain, codes):
            todo = f"{TODO}: one of {', '.join(dict.fromkeys(own.values()))}"
            none_here = record.name == "complication" and declared.required and plain(answer) in _NOTHING
            codes[answer] = known_code(answer, known) or (NO_RECORD if none_here else todo)
    found = {codes.get(part) or known_code(part, own) for part in parts}
    if foreign and all(answer.isdigit() for answer in foreign):
        return codes, "check what the numbers stand for"
    only_yes = "yes" in own and found == {"yes"} and column.row_count < column.height
    return codes, 'only yes occurs: if an empty cell means no, add empty_means = "no"' if only_yes else ""


def _date_parts(
    column: Column, record: RecordType, declared: Field, around: Surroundings, parts: dict[str, str]
) -> str:
    forms = [form for form in column.date_forms if form != "%Y-%m-%d"]
    has_precision = f"{declared.name.removesuffix('_on')}_precision" in record.field_names
    if not has_precision:
        forms = [form for form in forms if precision_of(form) == "day"]
    if column.date_forms[:1] == ("%Y-%m-%d",) or column.texts.is_empty():
        return ""
    if len(forms) == 1:
        if forms[0] != around.date_form:
            parts["date_format"] = toml_text(forms[0])
        return ""
    if len(forms) > 1:
        parts["date_format"] = toml_text(f"{TODO}: {' or '.join(forms)}")
        other = f"; other columns of this sheet are written {around.date_form}" if around.date_form in forms else ""
        return f"every date fits these forms{other}"
    mixed = [form for form in column.mixed_date_forms if has_precision or precision_of(form) == "day"]
    if mixed:
        if mixed != [around.date_form]:
            parts["date_format"] = toml_list(mixed)
        return "" if column.readable(mixed) == 1 else "not every date can be read in these forms"
    parts["date_format"] = toml_text(f"{TODO}: such as %d.%m.%Y")
    return ""


def _number_parts(column: Column, declared: Field, around: Surroundings, parts: dict[str, str]) -> str:
    comment = ""
    if column.has_decimal_comma and not around.decimal_comma:
        parts["decimal"] = toml_text(",")
    decimal = "," if around.decimal_comma or column.has_decimal_comma else "."
    sign = column.thousands_sign
    if sign is not None and not around.has_number_cells and sign == decimal and declared.kind is not Kind.INTEGER:
        parts["decimal"] = toml_text(f"{TODO}: . or ,")
        comment = f"{sign} has three digits behind it everywhere: decimals or thousands?"
    elif sign is not None and (sign != decimal or declared.kind is Kind.INTEGER):
        if sign == decimal:
            parts["decimal"] = toml_text("," if sign == "." else ".")
        parts["thousands"] = toml_text(sign)
        comment = f"check: 1{sign}234 is taken for a thousand and more"
    if column.clock_share > 0.9:
        parts["unit"] = toml_text(CLOCK)
    elif column.unit is not None and column.unit != CLOCK:
        if factor(declared, column.unit) != 1:
            parts["unit"] = toml_text(column.unit)
    elif (unit := likely_unit(column, declared)) is not None:
        parts["unit"] = toml_text(f"{TODO}: perhaps {unit}")
        comment = f"most values are out of range for {declared.unit}"
    return comment


def _settings_codes(
    column: Column, declared: Field, settings: Settings | None, parts: dict[str, str]
) -> tuple[dict[str, str], str]:
    """Codes of sites and surgeons are never copied from a file: a site's own may be a name."""
    codes = () if settings is None else settings.sites if declared.kind is Kind.SITE else settings.surgeons
    if codes and column.texts.is_in([*codes, *declared.also_allowed]).all():
        return parts, ""
    known = f" of {', '.join(codes)}" if codes else ""
    return {
        **parts,
        "codes": toml_text(f"{TODO}: {{ own = code }}"),
    }, f"write every {declared.kind} and its code{known}"
