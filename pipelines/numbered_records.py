"""Records under numbers in place of pseudonyms, for many questions asked one after another."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from registry._ddl import enumeration, quoted
from registry.database_file import catalog_of
from registry.definition import Field, Kind, RecordType, record_type
from registry.store import Registry

_NUMBERED = ("patient", "session")
_LARGEST = "visit"
_RECORDS = (*_NUMBERED, _LARGEST, "complication", "graft_count")
_SMALL = (Kind.DATE, Kind.INTEGER, Kind.NUMBER, Kind.YES_NO)


@contextmanager
def numbered_records(registry: Registry) -> Iterator[None]:
    """Let temporary tables stand before the records of the same names for the length of a `with` block.

    Patients and sessions bear numbers in the order of their keys, so whatever is joined, counted or put in order by a
    key comes out the same, in about half the time. Visits, the most by far, stay where they are: a view gives them
    numbers, and codes as enumerations, without their keys and sets of codes. For figures, not for lists that show a
    key or a field.
    A registry shown as of an earlier event has such tables already; there nothing is done.
    """
    connection = registry.connection
    if registry.as_of_intake is not None:
        yield
        return
    catalog = catalog_of(connection)
    made = []
    try:
        for name in _NUMBERED:
            made.append(("table", f"{name}_number"))
            connection.execute(
                f"create temp table {name}_number as select {name}_key as key, "
                f"(row_number() over (order by {name}_key))::integer as number from {catalog}.main.{name}"
            )
        for record in map(record_type, _RECORDS):
            parents = [name for name in _NUMBERED if any(field.name == f"{name}_key" for field in record.fields)]
            joins = " ".join(f"join temp.{name}_number {name} on {name}.key = r.{name}_key" for name in parents)
            columns = ", ".join(column for field in record.fields if (column := _column(record, field)))
            made_as = "view" if record.name == _LARGEST else "table"
            connection.execute(
                f"create temp {made_as} {record.name} as select {columns} from {catalog}.main.{record.name} r {joins}"
            )
            made.append((made_as, record.name))
        yield
    finally:
        for made_as, name in reversed(made):
            connection.execute(f"drop {made_as} if exists temp.{name}")


def _column(record: RecordType, field: Field) -> str | None:
    """A field as a column; None for one that is left out."""
    name = quoted(field.name)
    for parent in _NUMBERED:
        if field.name == f"{parent}_key":
            return f"{parent}.number as {name}"
    if record.name != _LARGEST:
        return f"r.{name}"
    if field.kind is Kind.CODE and field.codes:
        return f"r.{name}::{enumeration(field.codes.names)} as {name}"
    return f"r.{name}" if field.kind in _SMALL else None
