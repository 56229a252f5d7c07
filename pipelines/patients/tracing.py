"""Every row that belongs to one patient, wherever the registry keeps it.

Noted in temporary tables: keys, and for every record type the rows of the current table, of history and of the rows
held back. A session that was once filed under the patient by mistake and now belongs to another is not the patient's;
only the former version that names the patient is.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from registry import history_table, literal, quoted
from registry.definition import PATIENT, RECORD_TYPES, SESSION, RecordType

if TYPE_CHECKING:
    import duckdb

PATIENT_KEYS = "traced_patient"
"""Temporary table: `key`, all keys of the person."""
SESSION_KEYS = "traced_session"
"""Temporary table: `key`, of the person's sessions."""
PLACES = ("current", "history", "held back")


def traced(record: RecordType, place: str) -> str:
    """Name of the temporary table of row ids of a record type in one place."""
    return f"traced_{record.name}_{place.replace(' ', '_')}"


def table_of(record: RecordType, place: str) -> str:
    """The table in which the rows of a record type stand in one place, quoted."""
    return {"current": quoted(record.name), "history": quoted(history_table(record))}.get(place, "held_back_row")


def places() -> Iterator[tuple[RecordType, str]]:
    """Every record type that belongs to patients, in every place."""
    return (
        (record, place)
        for record in RECORD_TYPES
        if record.name == PATIENT.name or record.parent is not None
        for place in PLACES
    )


def trace(connection: duckdb.DuckDBPyConnection, keys: list[str]) -> dict[tuple[str, str], int]:
    """Find all rows of a person who goes by these keys. Returns how many, by record type and place."""
    connection.execute(
        f"create or replace temp table {PATIENT_KEYS} as select distinct unnest(?::varchar[]) as key", [keys]
    )
    connection.execute(
        f"""
        create or replace temp table {SESSION_KEYS} as
        with filed as (
            select session_key from session where patient_key in (from {PATIENT_KEYS})
            union
            select session_key from session_history where patient_key in (from {PATIENT_KEYS})
            union
            select record_key from held_back_row
            where record_type = '{SESSION.name}' and {_field("patient_key")} in (from {PATIENT_KEYS})
        ),
        of_others as (select session_key from session where patient_key not in (from {PATIENT_KEYS}))
        select session_key as key from filed where session_key is not null and session_key not in (from of_others)
        """
    )
    found = {}
    for record, place in places():
        connection.execute(
            f"create or replace temp table {traced(record, place)} as "
            f"select rowid as row_id from {table_of(record, place)} as own where {_belongs(record, place)}"
        )
        count = connection.execute(f"select count(*) from {traced(record, place)}").fetchall()[0][0]
        found[record.name, place] = int(count)
    return found


def _field(name: str) -> str:
    return f"json_extract_string(content, {literal(f'$.{name}')})"


def _belongs(record: RecordType, place: str) -> str:
    """SQL that a row is the patient's."""
    if place == "held back":
        return f"record_type = {literal(record.name)} and ({_held_back_belongs(record)})"
    named = {PATIENT.key[0]: PATIENT_KEYS, SESSION.key[0]: SESSION_KEYS}
    parts = [f"own.{quoted(name)} in (from {named[name]})" for name in record.field_names if name in named]
    if place == "history":
        key = quoted(record.key[0])
        parts.append(
            f"own.{key} in (select {key} from {quoted(record.name)} as now semi join {traced(record, 'current')} "
            "as found on found.row_id = now.rowid)"
        )
    return " or ".join(parts)


def _held_back_belongs(record: RecordType) -> str:
    named = {PATIENT.key[0]: PATIENT_KEYS, SESSION.key[0]: SESSION_KEYS}
    parts = [f"{_field(name)} in (from {named[name]})" for name in record.field_names if name in named]
    parts += [
        f"exists (from {keys} where contains(own.content, key) or contains(coalesce(own.source_content, ''), key))"
        for keys in (PATIENT_KEYS, SESSION_KEYS)
    ]
    return " or ".join(parts)
