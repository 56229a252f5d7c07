"""Where each field of a record comes from: the entries of a mapping under a record type, checked."""

from __future__ import annotations

from collections.abc import Mapping as MappingOf
from dataclasses import dataclass
from typing import Any

from registry import GraftledgerError, Settings
from registry.definition import Field, Kind, RecordType, record_type
from registry.durations import parse_time
from registry.errors import nearest

from ._readings import READING_KEYS, Defaults, checked_codes, code_fault, precision_field, reading_of
from ._toml import Table, plain_value
from .dates import precision_of
from .model import (
    LABEL,
    CountedBy,
    DerivedKey,
    FieldSource,
    FixedValue,
    FromColumn,
    FromLabel,
    FromYesColumns,
    KeyOfRow,
    Reading,
)

_SOURCES = ("column", "value", "label", "yes_columns", "key_of", "of_row", "count_by")
_BESIDES: dict[str, tuple[str, ...]] = {
    "column": (*READING_KEYS, "days_since", "plus", "pick"),
    "value": (),
    "label": ("codes",),
    "yes_columns": ("codes", "all_no", "empty_means"),
    "key_of": (),
    "of_row": (),
    "count_by": ("plus",),
}


@dataclass(frozen=True)
class Context:
    """What surrounds a field of a mapping.

    others: record types that the same source gives.
    """

    record: RecordType
    labels: tuple[str, ...]
    others: tuple[str, ...]
    defaults: Defaults
    named_codes: MappingOf[str, MappingOf[str, str]]
    settings: Settings | None


def field_source(parent: Table, name: str, value: Any, context: Context) -> FieldSource | None:
    """Where a field comes from; None, with faults, where that cannot be told."""
    field = context.record.field(name)
    table = parent.sub(name, {"column": value} if isinstance(value, str) else value)
    named = [key for key in _SOURCES if key in table.data]
    if len(named) != 1:
        if isinstance(value, str | dict):
            table.fault("", f"must have one of: {', '.join(_SOURCES)}.")
        return None
    (kind,) = named
    table.unknown_keys((kind, *_BESIDES[kind]))
    match kind:
        case "column":
            return _from_column(table, field, context)
        case "value":
            return _fixed(table, field, context)
        case "label":
            return _from_label(table, field, context)
        case "yes_columns":
            return _from_yes_columns(table, field, context)
        case "key_of":
            return _derived_key(table, field, context)
        case "of_row":
            return _key_of_row(table, field, context)
        case _:
            return _counted(table, field, context)


def _from_column(table: Table, field: Field, context: Context) -> FromColumn | None:
    reading = reading_of(table, field, context.record, context.defaults, context.named_codes, context.settings)
    by_label: dict[str, str] = {}
    column: str | None = None
    if isinstance(table.data["column"], dict):
        by_label = table.text_table("column")
        _check_labels(table, "column", by_label, context)
    else:
        column = table.text("column")
        if column is None:
            return None
        if LABEL in column and not context.labels:
            table.fault("column", f"{LABEL} stands for a label, and the record has no repeat.")
    pick = table.text("pick", "first")
    if pick not in ("first", "last"):
        table.fault("pick", "must be 'first' or 'last'.")
    return FromColumn(
        reading=reading,
        column=column,
        by_label=by_label,
        days_since=_days_since(table, field, context),
        plus_days=_plus_days(table, field, context),
        pick_last=pick == "last",
    )


def _check_labels(table: Table, key: str, by_label: MappingOf[str, str], context: Context) -> None:
    for label in by_label:
        if label not in context.labels:
            table.fault(key, f"'{label}' is no label of repeat.")


def _days_since(table: Table, field: Field, context: Context) -> str | None:
    start = table.text("days_since")
    if start is None:
        return None
    if field.unit != "days":
        table.fault("days_since", f"{field.name} is no number of days.")
    parent = FromColumn(Reading(), days_since=start).start_of_parent
    if parent is not None:
        record, name = parent
        if record != context.record.parent:
            table.fault("days_since", f"a {context.record.name} belongs to no {record}.")
        elif name not in record_type(record).field_names or record_type(record).field(name).kind is not Kind.DATE:
            table.fault("days_since", f"'{name}' is no date of a {record}.")
    return start


def _plus_days(table: Table, field: Field, context: Context) -> dict[str, int]:
    if "plus" not in table.data:
        return {}
    times = table.text_table("plus")
    days = {}
    for label, time in times.items():
        try:
            days[label] = parse_time(time)
        except GraftledgerError as error:
            table.fault(f"plus, {label}", error.faults[0].what)
    _check_labels(table, "plus", times, context)
    missing = [label for label in context.labels if label not in times]
    if field.kind is not Kind.DATE or not context.labels:
        table.fault("plus", "goes with a date in a record with repeat.")
    elif missing:
        table.fault("plus", f"the time of {', '.join(missing)} is missing.")
    return days


def _fixed(table: Table, field: Field, context: Context) -> FixedValue | None:
    text = plain_value(table.data["value"])
    if text is None:
        table.fault("value", "must be a text in quotes.")
    elif text.startswith("TODO"):
        table.undecided("value")
    elif field.kind in (Kind.PSEUDONYM, Kind.DATE):
        table.fault("value", f"a {field.kind} cannot be the same in every row.")
    elif what := code_fault(field, text, context.settings):
        table.fault("value", f"'{text}' {what}")
    else:
        return FixedValue(text)
    return None


def _from_label(table: Table, field: Field, context: Context) -> FromLabel:
    table.flag("label")
    if not context.labels:
        table.fault("label", "the record has no repeat, and so no labels.")
    codes: dict[str, str] = {}
    if "codes" in table.data:
        codes = checked_codes(table, "codes", table.text_table("codes"), field, context.settings)
    return FromLabel(codes)


def _from_yes_columns(table: Table, field: Field, context: Context) -> FromYesColumns:
    if field.kind is not Kind.CODE_SET:
        table.fault("yes_columns", "goes with sets of codes alone.")
    columns = table.text_table("yes_columns")
    for column, code in columns.items():
        if what := code_fault(field, code, context.settings):
            table.fault("yes_columns", f"'{code}' {what}")
        if LABEL in column and not context.labels:
            table.fault("yes_columns", f"{LABEL} stands for a label, and the record has no repeat.")
    all_no = table.text("all_no")
    if all_no is not None and (what := code_fault(field, all_no, context.settings)):
        table.fault("all_no", f"'{all_no}' {what}")
    answer = Field("answer", Kind.YES_NO, "Answer", "Whether the code applies.")
    read = Table(
        {key: value for key, value in table.data.items() if key in ("codes", "empty_means")},
        table.path,
        table.file_name,
        table.faults,
    )
    reading = reading_of(read, answer, context.record, context.defaults, context.named_codes, context.settings)
    return FromYesColumns(columns, reading, all_no)


def _derived_key(table: Table, field: Field, context: Context) -> DerivedKey:
    record = context.record
    parts = table.texts("key_of")
    known = [name for name in (*record.field_names, "label") if name != field.name]
    for part in parts:
        if part not in known:
            table.fault("key_of", f"'{part}' is no field of a {record.name}. {nearest(part, known)}")
        elif part == "label" and not context.labels:
            table.fault("key_of", "the record has no repeat, and so no labels.")
    if (field.name,) != record.key or record.parent_key is None:
        table.fault("key_of", f"only the key of a record that belongs to another can be made, not {field.name}.")
    elif parts[:1] != (record.parent_key,) or len(parts) < 2:
        table.fault("key_of", f"must begin with {record.parent_key} and name what tells the rows of one apart.")
    return DerivedKey(parts)


def _key_of_row(table: Table, field: Field, context: Context) -> KeyOfRow:
    name = table.text("of_row") or ""
    if field.refers_to is None or name != field.refers_to:
        table.fault("of_row", f"must be the record that {field.name} refers to: {field.refers_to or 'none'}.")
    elif name not in context.others:
        table.fault("of_row", f"the source gives no {name}.", f"Write how: [source.{name}].")
    return KeyOfRow(name)


def _counted(table: Table, field: Field, context: Context) -> CountedBy:
    record = context.record
    date_field = table.text("count_by") or ""
    if field.kind is not Kind.INTEGER or record.parent_key is None:
        table.fault("count_by", f"{field.name} cannot be counted.")
    if date_field not in record.field_names or record.field(date_field).kind is not Kind.DATE:
        table.fault("count_by", f"must be a date of a {record.name}.")
    plus = table.text("plus")
    if plus is not None:
        parent, _, name = plus.partition(".")
        fits = parent == record.parent and name in record_type(parent).field_names
        if not fits or record_type(parent).field(name).kind is not Kind.INTEGER:
            table.fault("plus", f"must be a whole number of the {record.parent}, such as patient.sessions_elsewhere.")
    return CountedBy(date_field, plus)


def takes_precision(record: RecordType, name: str, source: FieldSource) -> str | None:
    """The field that a date without its day fills besides; None where it fills none."""
    if not isinstance(source, FromColumn) or all(precision_of(form) == "day" for form in source.reading.date_formats):
        return None
    partner = precision_field(record, record.field(name))
    return partner.name if partner else None
