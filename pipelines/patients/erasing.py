"""Erasing a patient: every row, in every table, in history and among the rows held back, and from the file itself.

What stays is how many rows there were, and salted hashes of the patient's keys, so that the same patient sent again is
refused. Whoever holds the registry can test with them whether a key that they know was erased; the keys themselves
cannot be read from them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from registry import RECORD_TYPES, Fault, GraftledgerError, Registry, open_registry
from registry.changes import Event, begin_event, end_event, transaction
from registry.definition import PATIENT, SESSION
from registry.snapshot import content_sum

from ..exports.ledger import exports_with
from ..intake.barring import key_hash_sql
from .tracing import PATIENT_KEYS, PLACES, SESSION_KEYS, places, table_of, trace, traced

if TYPE_CHECKING:
    import duckdb


@dataclass(frozen=True)
class ReportWritten:
    """A report that was written from the registry."""

    kind: str
    period: str | None
    intake_id: int
    written_at: datetime


@dataclass(frozen=True)
class PatientTrace:
    """What the registry holds of a patient.

    keys: how many keys the person goes by, merged ones included.
    rows: by record type and place (`current`, `history`, `held back`); only where there are any.
    reports: those written while the patient was in the registry. exports: numbers of those that held the patient.
    """

    keys: int
    rows: Mapping[tuple[str, str], int]
    reports: tuple[ReportWritten, ...]
    exports: tuple[int, ...]


@dataclass(frozen=True)
class Erasure:
    """A patient who was erased, and the number of the event."""

    intake_id: int
    erased: PatientTrace


def find_patient(registry: Registry, patient_key: str) -> PatientTrace:
    """What an erasure would take away.

    Raises: GraftledgerError where the registry holds nothing of the patient.
    """
    return _traced(registry.connection, patient_key)


def erase_patient(folder: Path, patient_key: str, *, received_by: str, today: date | None = None) -> Erasure:
    """Erase a patient from the registry in a folder, and everything of the patient from its file.

    Raises: GraftledgerError where the registry holds nothing of the patient, or it cannot be rewritten; it is as it
    was then.
    """
    with open_registry(folder, read_only=False, afresh=True) as registry:
        connection = registry.connection
        found = _traced(connection, patient_key)
        with transaction(connection):
            event = begin_event(connection)
            _leave_tombstone(connection, event.intake_id, found, today or datetime.now(UTC).date())
            _forget_places(connection)
            _delete_rows(connection, event)
            for table, column, keys in (
                ("merged_session", "session_key", SESSION_KEYS),
                ("merged_session", "other_key", PATIENT_KEYS),
                ("patient_merge", "other_key", PATIENT_KEYS),
                ("patient_merge", "kept_key", PATIENT_KEYS),
            ):
                connection.execute(f"delete from {table} where {column} in (from {keys})")
            end_event(connection, event, "erase", received_by)
    return Erasure(event.intake_id, found)


def _traced(connection: duckdb.DuckDBPyConnection, patient_key: str) -> PatientTrace:
    keys = _keys_of_person(connection, patient_key)
    rows = {where: count for where, count in trace(connection, keys).items() if count}
    if not rows:
        raise GraftledgerError(
            Fault(
                "the registry holds nothing of a patient of this key.",
                mend="Check the key; is it in another registry, or was it erased already?",
            )
        )
    return PatientTrace(len(keys), rows, _reports(connection), exports_with(connection, PATIENT_KEYS))


def _keys_of_person(connection: duckdb.DuckDBPyConnection, patient_key: str) -> list[str]:
    """The key, and all that were merged with it, directly or by way of another."""
    rows = connection.execute(
        """
        with recursive pair as (
            select kept_key as one, other_key as another from patient_merge where undone_by_intake_id is null
            union
            select other_key, kept_key from patient_merge where undone_by_intake_id is null
        ),
        reached as (select $key as key union select another from reached join pair on one = key)
        select key from reached order by 1
        """,
        {"key": patient_key},
    ).fetchall()
    return [key for (key,) in rows]


def _reports(connection: duckdb.DuckDBPyConnection) -> tuple[ReportWritten, ...]:
    """Reports written while any row of the patient was in the registry."""
    spans = " union all ".join(
        f"select intake_id, {'replaced_by_intake_id' if place == 'history' else 'null'} as until "
        f"from {table_of(record, place)} as own semi join {traced(record, place)} as found on found.row_id = own.rowid"
        for record, place in places()
        if place != "held back"
    )
    rows = connection.execute(
        f"""
        select kind, period, intake_id, written_at from report_ledger as report
        where exists (
            from ({spans}) as span
            where span.intake_id <= report.intake_id and (until is null or until > report.intake_id)
        )
        order by report_id
        """
    ).fetchall()
    return tuple(ReportWritten(*row) for row in rows)


def _leave_tombstone(
    connection: duckdb.DuckDBPyConnection, intake_id: int, found: PatientTrace, erased_on: date
) -> None:
    connection.execute("insert into erasure values (?, ?)", [intake_id, erased_on])
    for record in RECORD_TYPES:
        for place in PLACES:
            if count := found.rows.get((record.name, place), 0):
                connection.execute(
                    "insert into erased_rows values (?, ?, ?, ?)", [intake_id, record.name, place, count]
                )
    for record, keys in ((PATIENT, PATIENT_KEYS), (SESSION, SESSION_KEYS)):
        connection.execute(
            f"insert into erased_key select ?, ?, {key_hash_sql('key')} as hashed from {keys} order by hashed",
            [intake_id, record.name],
        )


def _forget_places(connection: duckdb.DuckDBPyConnection) -> None:
    """Where rows that failed a check stood: none are known any more of the files in which the patient may have been."""
    for record, place in places():
        connection.execute(
            f"update validation_result set first_rows = [] where record_type = ? and intake_id in (select intake_id "
            f"from {table_of(record, place)} as own semi join {traced(record, place)} as found "
            "on found.row_id = own.rowid)",
            [record.name],
        )


def _delete_rows(connection: duckdb.DuckDBPyConnection, event: Event) -> None:
    for record, place in places():
        table, found = table_of(record, place), traced(record, place)
        if place == "current":
            connection.execute(
                f"create or replace temp table leaving as from {table} as own "
                f"semi join {found} as found on found.row_id = own.rowid"
            )
            event.sums[record.name] -= content_sum(connection, record, "leaving")
            connection.execute("drop table leaving")
        if place == "held back":
            connection.execute(
                f"delete from held_back where held_back_id in (select held_back_id from {table} as own "
                f"semi join {found} as found on found.row_id = own.rowid)"
            )
        connection.execute(f"delete from {table} where rowid in (from {found})")
