"""What of a mapping is decided and what is open, as questions with the answers that there are."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Sequence
from collections.abc import Mapping as MappingOf
from dataclasses import dataclass
from datetime import date
from typing import Any

from registry import RECORD_TYPES, Fault, GraftledgerError
from registry.definition import Field, Kind, RecordType, record_type

from ...sources import SourceSheet
from .._toml import TODO
from ..apply import fits
from ..codes import own_codes
from ..load import RECORD_OPTIONS
from ..model import LABEL, NO_RECORD
from ..propose.columns import DATE_FORMS
from ..propose.entries import CHECKS
from ..units import known_units
from ..words import plain

LEAVE_OUT = "leave-out"
FIXED = "value:"
"""Begins a choice that is a code for every row, in the place of a column."""
_RECORDS = {record.name: record for record in RECORD_TYPES}
_EXAMPLE = date(2024, 12, 31)
Choice = tuple[str, str]
"""What is sent, and how it is called."""
Path = tuple[str | int, ...]


@dataclass(frozen=True)
class Question:
    """Something that the mapping leaves open. options: empty where it can only be written. path: in its content."""

    name: str
    path: Path
    asks: str
    options: tuple[Choice, ...]


@dataclass(frozen=True)
class Placement:
    """A column and where it goes.

    at: `record.field`, LEAVE_OUT, or empty while it is open. words: how it is used where that is more than a choice
    can say; there are no options then. options: by record type. check: what to make sure of.
    """

    name: str
    column: str
    at: str
    words: str
    options: tuple[tuple[str, tuple[Choice, ...]], ...]
    check: str

    @property
    def is_open(self) -> bool:
        """Whether it has no place yet."""
        return not self.at and not self.words


@dataclass(frozen=True)
class SheetChoices:
    """A sheet with the columns and questions of its source. source: number in the mapping, from 0."""

    source: int
    sheet: SourceSheet
    placements: tuple[Placement, ...]
    questions: tuple[Question, ...]


@dataclass(frozen=True)
class Use:
    """A field that a column feeds. entry: number among several of one record type; None where there is one."""

    record: str
    entry: int | None
    field: str
    is_plain: bool


def mapping_data(text: str) -> dict[str, Any]:
    """The content of a mapping's text. Raises: GraftledgerError where it is no TOML."""
    try:
        return tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise GraftledgerError(
            Fault(
                f"this is not TOML: {error}.",
                "the mapping",
                mend="Texts stand in quotes, and so do names left of = with anything but A-Z, a-z, 0-9, - and _.",
            )
        ) from None


def choices_of(data: MappingOf[str, Any], sheets: Sequence[SourceSheet]) -> list[SheetChoices]:
    """Each source with the first sheet that fits it. Sources that no sheet fits are left as they are."""
    shared = list(_shared_questions(data, sheets))
    found = []
    for number, source in enumerate(_tables(data.get("source"))):
        sheet = _sheet_of(source, sheets)
        if sheet is None:
            continue
        own = list(_questions(source, ("source", number), sheet))
        found.append(SheetChoices(number, sheet, tuple(_placements(number, source, sheet)), (*shared, *own)))
        shared = []
    return found


def uses_of(source: MappingOf[str, Any], column: str) -> list[Use]:
    """The fields of a source that a column feeds."""
    return [
        Use(record, entry, name, is_plain)
        for record, entry, table in entries_of(source)
        for name, value in table.items()
        if name not in RECORD_OPTIONS
        for used, is_plain in _columns_in(value)
        if plain(used) == plain(column)
    ]


def entries_of(source: MappingOf[str, Any]) -> Iterator[tuple[str, int | None, dict[str, Any]]]:
    """Record type, number among several, and table of each record that a source gives."""
    for record in (key for key in source if key in _RECORDS):
        value = source[record]
        if isinstance(value, dict):
            yield record, None, value
        else:
            yield from ((record, number, table) for number, table in enumerate(_tables(value)))


def _tables(value: Any) -> list[dict[str, Any]]:
    return [table for table in value if isinstance(table, dict)] if isinstance(value, list) else []


def _sheet_of(source: MappingOf[str, Any], sheets: Sequence[SourceSheet]) -> SourceSheet | None:
    file, name = source.get("file", "*"), source.get("sheet", "*")
    if source.get("ignore") is True or not isinstance(file, str) or not isinstance(name, str):
        return None
    return next((s for s in sheets if fits(s.file_name, file) and fits(s.sheet or "", name)), None)


def _columns_in(value: Any) -> Iterator[tuple[str, bool]]:
    """The columns that a field's entry names, and whether it is the only thing that it names."""
    if isinstance(value, str):
        yield value, LABEL not in value
        return
    if not isinstance(value, dict):
        return
    column = value.get("column")
    if isinstance(column, str):
        yield column, LABEL not in column and "days_since" not in value and "plus" not in value
    if isinstance(column, dict):
        yield from ((str(name), False) for name in column.values())
    if isinstance(value.get("yes_columns"), dict):
        yield from ((name, False) for name in value["yes_columns"])
    if isinstance(value.get("days_since"), str):
        yield value["days_since"], False


def _placements(number: int, source: MappingOf[str, Any], sheet: SourceSheet) -> Iterator[Placement]:
    dropped, labels = _names(source, "drop"), _labels(source)
    records = list(dict.fromkeys(record for record, _, _ in entries_of(source))) or list(_RECORDS)
    taken = {(use.record, use.field) for name in sheet.frame.columns for use in uses_of(source, name)}
    for position, column in enumerate(sheet.frame.columns):
        uses = uses_of(source, column)
        by_label = [use for label in labels for use in _labelled_uses(source, column, label)]
        at = words = check = ""
        if len(uses) == 1 and uses[0].is_plain:
            at = f"{uses[0].record}.{uses[0].field}"
            check = CHECKS.get(uses[0].field, "")
        elif uses or by_label:
            words = ", ".join(dict.fromkeys(_field_words(use.record, use.field) for use in (*uses, *by_label)))
        elif plain(column) in dropped:
            at = LEAVE_OUT
        free = () if words else _field_options(records, taken - {(use.record, use.field) for use in uses})
        yield Placement(f"c-{number}-{position}", column, at, words, free, check)


def _labels(source: MappingOf[str, Any]) -> list[str]:
    labels = [
        label for _, _, table in entries_of(source) for label in table.get("repeat", []) if isinstance(label, str)
    ]
    return list(dict.fromkeys(labels))


def _labelled_uses(source: MappingOf[str, Any], column: str, label: str) -> list[Use]:
    return [
        Use(record, entry, name, False)
        for record, entry, table in entries_of(source)
        for name, value in table.items()
        if name not in RECORD_OPTIONS
        for used, _ in _columns_in(value)
        if LABEL in used and plain(used.replace(LABEL, label)) == plain(column)
    ]


def _names(source: MappingOf[str, Any], key: str) -> set[str]:
    value = source.get(key, [])
    return {plain(name) for name in ([value] if isinstance(value, str) else value) if isinstance(name, str)}


def _field_options(records: Sequence[str], taken: set[tuple[str, str]]) -> tuple[tuple[str, tuple[Choice, ...]], ...]:
    return tuple(
        (
            _RECORDS[record].name.replace("_", " "),
            tuple(
                (f"{record}.{field.name}", field.label)
                for field in _RECORDS[record].fields
                if (record, field.name) not in taken
            ),
        )
        for record in records
    )


def _field_words(record: str, field: str) -> str:
    known = field in _RECORDS[record].field_names
    return f"{record.replace('_', ' ')}: {_RECORDS[record].field(field).label if known else field}"


def _shared_questions(data: MappingOf[str, Any], sheets: Sequence[SourceSheet]) -> Iterator[Question]:
    """Answers of a list of codes that several fields share."""
    named = data.get("codes", {})
    for name, codes in named.items() if isinstance(named, dict) else ():
        declared = next(
            (
                (record_type(record), field)
                for source in _tables(data.get("source"))
                for record, _, table in entries_of(source)
                for field, value in table.items()
                if isinstance(value, dict) and value.get("codes") == name and field in _RECORDS[record].field_names
            ),
            None,
        )
        if declared is None or not isinstance(codes, dict):
            continue
        record, field_name = declared
        for answer, code in codes.items():
            if _is_open(code):
                yield _code_question(("codes", name, answer), record, record.field(field_name), answer)


def _questions(source: MappingOf[str, Any], path: Path, sheet: SourceSheet) -> Iterator[Question]:
    if _is_open(source.get("ignore")):
        asks = "Too few columns fit any record. Leave this sheet out?"
        yield Question(_name((*path, "ignore")), (*path, "ignore"), asks, (("true", "leave the sheet out"),))
    for record, entry, table in entries_of(source):
        inner: Path = (*path, record) if entry is None else (*path, record, entry)
        for name, value in table.items():
            if name in _RECORDS[record].field_names and isinstance(value, dict):
                declared = _RECORDS[record].field(name)
                for deeper, _ in _open_leaves(value, (*inner, name)):
                    yield _question(deeper, len(inner) + 1, _RECORDS[record], declared, value, sheet)


def _open_leaves(value: Any, path: Path) -> Iterator[tuple[Path, str]]:
    if isinstance(value, str) and value.startswith(TODO):
        yield path, value
    elif isinstance(value, dict):
        for key, deeper in value.items():
            yield from _open_leaves(deeper, (*path, key))


def _is_open(value: Any) -> bool:
    return isinstance(value, str) and value.startswith(TODO)


def _question(
    path: Path, depth: int, record: RecordType, field: Field, entry: MappingOf[str, Any], sheet: SourceSheet
) -> Question:
    key, inner = str(path[depth]), path[depth + 1 :]
    column = entry["column"] if isinstance(entry.get("column"), str) and not _is_open(entry["column"]) else ""
    where = f"{_field_words(record.name, field.name)}" + (f", from {column}" if column else "")
    if key in ("codes", "yes_columns") and inner:
        return _code_question(path, record, field, str(inner[-1]), where)
    options: tuple[Choice, ...] = ()
    asks = f"{where}: {key.replace('_', ' ')}?"
    if key == "date_format":
        options = tuple((form, _EXAMPLE.strftime(form)) for form in DATE_FORMS)
        asks = f"{where}: how would 31 December 2024 be written?"
    elif key == "unit":
        options, asks = tuple((unit, unit) for unit in known_units(field)), f"{where}: which unit?"
    elif key == "decimal":
        options, asks = ((".", "1.5"), (",", "1,5")), f"{where}: how is one and a half written?"
    elif key == "column":
        options = tuple((name, f"column {name}") for name in sheet.frame.columns)
        options += tuple((f"{FIXED}{code}", f"{label} in every row") for code, label in _codes(field))
        asks = f"{where}: it is required. Where does it stand?"
    elif key == "value":
        options, asks = _codes(field), f"{where}: which?"
    elif key == "days_since":
        options, asks = tuple((name, f"column {name}") for name in sheet.frame.columns), f"{where}: days since when?"
    elif key == "codes":
        asks = f"{where}: write each answer and its code in the text of the mapping."
    return Question(_name(path), path, asks, options)


def _code_question(path: Path, record: RecordType, field: Field, answer: str, where: str = "") -> Question:
    none = ((NO_RECORD, "nothing to record"),) if record.name == "complication" and field.required else ()
    options = (*_codes(field), ("", "empty"), *none)
    return Question(
        _name(path), path, f"{where or _field_words(record.name, field.name)}: what does '{answer}' mean?", options
    )


def _codes(field: Field) -> tuple[Choice, ...]:
    if field.codes is not None:
        return tuple((code.name, f"{code.meaning} ({code.name})") for code in field.codes.codes)
    return tuple((code, code) for code in own_codes(field).values()) if field.kind is Kind.YES_NO else ()


def _name(path: Path) -> str:
    """The name of a form's field: short, and the same for the same place."""
    from hashlib import sha256

    return f"q-{sha256(repr(path).encode()).hexdigest()[:12]}"
