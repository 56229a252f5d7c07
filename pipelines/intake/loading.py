"""The one transaction that brings a judged delivery into the registry, or leaves the registry as it was.

Every completed intake is written down, also one that loads nothing: that a delivery was sent again is part of the
record of what happened. The snapshot is over the records alone and does not change by it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from registry import Fault, GraftledgerError, Settings, key_equal_sql, quoted
from registry.changes import Event, begin_event, end_event, put_rows, transaction
from registry.definition import PATIENT, SESSION, RecordType, record_type
from registry.snapshot import ContentSum

from .bookkeeping import note_files, note_results, note_returned
from .closing import close_entries
from .frames import count
from .holding import hold_back
from .names import ALIAS, good, staged
from .staging import StagedFile

if TYPE_CHECKING:
    import duckdb

_LOWER_HALF = 2**64 - 1


def load(
    connection: duckdb.DuckDBPyConnection,
    records: Sequence[RecordType],
    files: Sequence[StagedFile],
    settings: Settings,
    received_by: str,
    kind: str,
    also: Callable[[Event], None] | None = None,
) -> Event:
    """Write the good rows, note the rows held back and where everything came from. All of it or nothing.

    also: what else belongs to the event, done within the transaction after the rows are written.

    Raises: GraftledgerError where the rows contradict the registry; duckdb.Error where they cannot be written.
    """
    with transaction(connection):
        event = begin_event(connection)
        for record in records:
            _refuse_conflicts(connection, record)
            put_rows(connection, event, record, good(record), _sum_of_good(connection, record))
        _note_merged_sessions(connection)
        hold_back(connection, records, files, settings, event.intake_id)
        close_entries(connection, records, event.intake_id)
        for record in records:
            note_files(connection, record, event.intake_id, settings)
            note_results(connection, record, event.intake_id)
            note_returned(connection, record, event.intake_id)
        if also is not None:
            also(event)
        end_event(connection, event, kind, received_by)
    return event


def _sum_of_good(connection: duckdb.DuckDBPyConnection, record: RecordType) -> ContentSum:
    """The content sum over the good rows, from the hashes made when they were typed."""
    rows = connection.execute(
        f"select count(*), coalesce(sum((content >> 64)::ubigint), 0), "
        f"coalesce(sum((content & {_LOWER_HALF}::uhugeint)::ubigint), 0) from {good(record)}"
    ).fetchall()
    return ContentSum(*(int(value) for value in rows[0])) + ContentSum()


def _refuse_conflicts(connection: duckdb.DuckDBPyConnection, record: RecordType) -> None:
    """The last guard, in place of key indexes: keys stay unique, and every row keeps its parent."""
    key = ", ".join(quoted(name) for name in record.key)
    conflicts = count(connection, f"(select {key} from {good(record)} group by all having count(*) > 1)")
    conflicts += count(
        connection,
        f"{good(record)} as new semi join {quoted(record.name)} as held on {key_equal_sql(record, 'new', 'held')} "
        "where not key_is_known",
    )
    if record.parent and record.parent_key:
        parent_key = quoted(record_type(record.parent).key[0])
        conflicts += count(
            connection,
            f"{good(record)} as new anti join {quoted(record.parent)} as parent "
            f"on new.{quoted(record.parent_key)} = parent.{parent_key}",
        )
    if conflicts:
        raise GraftledgerError(
            Fault(
                f"{conflicts} {record.plural} contradict the registry; the registry is as it was.",
                mend="This is a fault of the program: report it.",
            )
        )


def _note_merged_sessions(connection: duckdb.DuckDBPyConnection) -> None:
    """Sessions that came under a key that was merged, so that undoing the merge gives them back."""
    connection.execute(
        f"insert into merged_session select other_key, new.session_key from {good(SESSION)} as new "
        f"join {staged(SESSION)} as sent using (row_id) join {ALIAS} on {ALIAS}.other_key = sent.{PATIENT.key[0]} "
        "anti join merged_session as known on known.session_key = new.session_key"
    )
