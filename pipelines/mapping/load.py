"""Read and check a mapping: one TOML file a site."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping as MappingOf
from hashlib import sha256
from pathlib import Path
from typing import Any

from registry import RECORD_TYPES, Fault, GraftledgerError, Settings
from registry.definition import RecordType
from registry.errors import nearest

from ..sources import known_encoding
from ._fields import Context, field_source, takes_precision
from ._readings import DEFAULT_KEYS, Defaults, defaults_of
from ._toml import OPEN, Table
from .model import (
    CountedBy,
    DerivedKey,
    FieldSource,
    FixedValue,
    FromColumn,
    KeyOfRow,
    Mapping,
    Reading,
    RecordRule,
    RowChoice,
    SourceRule,
)
from .words import plain

RECORD_OPTIONS = ("repeat", "only_if", "where", "gather_by")
_SOURCE_OPTIONS = ("file", "sheet", "ignore", "encoding", "empty", "drop", "undecided", "ignore_rows", *DEFAULT_KEYS)
_RECORDS: dict[str, RecordType] = {record.name: record for record in RECORD_TYPES}
_LARGEST_BYTES = 2**20


def load_mapping(path: Path, settings: Settings | None = None) -> Mapping:
    """Read and check a mapping.

    settings: of the registry; site and surgeon codes are checked against them where they are given.

    Raises: GraftledgerError, naming every key at fault, where the file is missing, is no TOML, or says something that
    is unknown, contradicts itself or is not decided yet.
    """
    try:
        with path.open("rb") as file:
            content = file.read(_LARGEST_BYTES + 1)
    except OSError as error:
        why = (error.strerror or "error").lower()
        raise GraftledgerError(
            Fault(f"the mapping cannot be read ({why}).", path.name, mend="Propose one with: graftledger mapping start")
        ) from None
    if len(content) > _LARGEST_BYTES:
        raise GraftledgerError(Fault("larger than a mapping can be.", path.name))
    try:
        data = tomllib.loads(content.decode("utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as error:
        raise GraftledgerError(
            Fault(
                f"this is not a TOML file: {error}.",
                path.name,
                mend="Texts stand in quotes, and so do names left of = with anything but A-Z, a-z, 0-9, - and _.",
            )
        ) from None
    return parse_mapping(data, path.name, sha256(content).hexdigest(), settings)


def parse_mapping(
    data: MappingOf[str, Any], file_name: str, digest: str = "", settings: Settings | None = None
) -> Mapping:
    """Check the content of a mapping. Raises GraftledgerError as `load_mapping`."""
    faults: list[Fault] = []
    table = Table(data, "", file_name, faults)
    table.unknown_keys(("site", "empty", "codes", "source", *DEFAULT_KEYS))
    site = table.text("site") or ""
    if "site" not in data:
        table.fault("site", "is missing.", 'Write the code of the site, such as site = "A".')
    elif settings is not None and site and site not in settings.sites:
        table.fault("site", "is no site of the registry's settings.")
    defaults = defaults_of(table, Defaults())
    empty = table.texts("empty")
    codes_table = table.sub("codes")
    named_codes = {name: codes_table.text_table(name) for name in codes_table.data}
    listed = data.get("source", [])
    if not isinstance(listed, list) or not listed:
        table.fault("source", "must be at least one table, written [[source]].")
        listed = []
    sources = tuple(
        _source(table.sub(f"source {number}", value), site, empty, defaults, named_codes, settings)
        for number, value in enumerate(listed, start=1)
    )
    if faults:
        raise GraftledgerError(*faults)
    return Mapping(file_name, site, sources, digest)


def _source(
    table: Table,
    site: str,
    empty: tuple[str, ...],
    outer: Defaults,
    named_codes: MappingOf[str, MappingOf[str, str]],
    settings: Settings | None,
) -> SourceRule:
    known = (*_SOURCE_OPTIONS, *_RECORDS)
    table.unknown_keys(known)
    ignore = table.flag("ignore")
    encoding = table.text("encoding")
    if encoding is not None:
        try:
            encoding = known_encoding(encoding)
        except GraftledgerError as error:
            table.fault("encoding", error.faults[0].what)
    for column in table.texts("undecided"):
        table.fault("undecided", f"'{column}' is {OPEN}.", "Map the column to a field, or move it to drop.")
    names = tuple(name for name in _RECORDS if name in table.data)
    if ignore == bool(names):
        table.fault(
            "", "must either say which records it gives, such as [source.session], or be left out with ignore = true."
        )
    defaults = defaults_of(table, outer)
    records = []
    for name in names:
        value = table.data[name]
        entries = value if isinstance(value, list) else [value]
        for number, entry in enumerate(entries, start=1):
            path = f"{name} {number}" if len(entries) > 1 else name
            record_table = table.sub(path, entry if isinstance(entry, dict) else [])
            records.append(_record(record_table, _RECORDS[name], site, names, defaults, named_codes, settings))
    ignore_rows = _choice(table, "ignore_rows")
    if len({record.where is None for record in records}) > 1:
        table.fault("", "either every record of a source chooses its rows with where, or none does.")
    if ignore_rows is not None and not all(record.where for record in records):
        table.fault("ignore_rows", "goes with records that choose their rows with where.")
    return SourceRule(
        path=table.path,
        file=table.text("file", "*") or "*",
        sheet=table.text("sheet", "*") or "*",
        ignore=ignore,
        encoding=encoding,
        empty=frozenset(plain(text) for text in table.texts("empty", empty)),
        drop=table.texts("drop"),
        ignore_rows=ignore_rows,
        records=tuple(records),
    )


def _record(
    table: Table,
    record: RecordType,
    site: str,
    others: tuple[str, ...],
    defaults: Defaults,
    named_codes: MappingOf[str, MappingOf[str, str]],
    settings: Settings | None,
) -> RecordRule:
    labels = table.texts("repeat")
    if len(set(labels)) != len(labels):
        table.fault("repeat", "a label stands twice.")
    context = Context(record, labels, others, defaults, named_codes, settings)
    fields: dict[str, FieldSource] = {}
    named = [name for name in table.data if name not in RECORD_OPTIONS]
    for name in named:
        if name not in record.field_names:
            table.fault(name, f"a {record.name} has no such field. {nearest(name, list(record.field_names))}")
        elif (source := field_source(table, name, table.data[name], context)) is not None:
            fields[name] = source
    if "site_code" in record.field_names and "site_code" not in named and site:
        fields["site_code"] = FixedValue(site)
    for name in record.required_names:
        if name not in named and name not in fields:
            table.fault(name, f"the required field of a {record.name} is not mapped.", "Say where it comes from.")
    for name, source in fields.items():
        partner = takes_precision(record, name, source)
        if partner in fields:
            table.fault(partner or "", f"is filled from the date forms of {name}.", "Leave out one of them.")
    _check_labels_used(table, labels, fields)
    _check_parts(table, fields)
    gather_by = table.text("gather_by")
    if gather_by is not None and labels:
        table.fault("gather_by", "goes with records without repeat.")
    return RecordRule(
        path=table.path,
        record=record,
        fields=fields,
        labels=labels,
        only_if=table.texts("only_if"),
        where=_choice(table, "where"),
        gather_by=gather_by,
        gather_reading=Reading(date_formats=defaults.date_formats),
    )


def _check_labels_used(table: Table, labels: tuple[str, ...], fields: MappingOf[str, FieldSource]) -> None:
    """With repeat, some column must differ by label: whether it holds anything tells whether there is a record."""
    if labels and not any(isinstance(source, FromColumn) and source.depends_on_label for source in fields.values()):
        table.fault("repeat", "no column differs by label.", "Write {label} where the label stands in a column's name.")


def _check_parts(table: Table, fields: MappingOf[str, FieldSource]) -> None:
    """A key can only be made of fields that are known before it."""
    for name, source in fields.items():
        if not isinstance(source, DerivedKey):
            continue
        for part in source.parts:
            if part == "label":
                continue
            made = fields.get(part)
            late = isinstance(made, CountedBy) or (isinstance(made, FromColumn) and made.days_since is not None)
            if made is None or late or (isinstance(made, DerivedKey | KeyOfRow) and part != source.parts[0]):
                table.fault(name, f"cannot be made of {part}, which is not mapped to a column.")


def _choice(table: Table, key: str) -> RowChoice | None:
    if key not in table.data:
        return None
    choice = table.sub(key)
    choice.unknown_keys(("column", "is"))
    column, answers = choice.text("column"), choice.texts("is")
    if column is None or not answers:
        choice.fault("", 'must name a column and answers, such as { column = "Type", is = ["Surgery"] }.')
        return None
    if table.data.get("repeat") and "{label}" in column:
        choice.fault("column", "cannot differ by label.")
    return RowChoice(column, frozenset(plain(answer) for answer in answers))
