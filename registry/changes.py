"""How records change: a new version takes the place of the former one, which goes to history. Nothing is overwritten.

Every change belongs to an event, a row of the table `intake`. The caller holds the transaction, so that an event
happens as a whole or not at all.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from ._ddl import field_names_sql, history_table, key_equal_sql, quoted
from .definition import RecordType
from .snapshot import ContentSum, content_sum, snapshot_id, store_sums, stored_sums
from .version import program_version

if TYPE_CHECKING:
    import duckdb


@dataclass
class Event:
    """An event under way: its number, the snapshot before it, and the sums of the records as they are so far."""

    intake_id: int
    snapshot_before: str
    sums: dict[str, ContentSum] = field(repr=False)

    @property
    def snapshot_after(self) -> str:
        return snapshot_id(self.sums)


@contextmanager
def transaction(connection: duckdb.DuckDBPyConnection) -> Iterator[None]:
    """Commit at the end of the `with` block, or leave everything as it was."""
    import duckdb

    connection.execute("begin")
    try:
        yield
        connection.execute("commit")
    except BaseException:
        with suppress(duckdb.Error):  # a failed commit has rolled back by itself
            connection.execute("rollback")
        raise


def last_intake_id(connection: duckdb.DuckDBPyConnection) -> int:
    """The number of the last event; 0 before the first."""
    return int(connection.execute("select coalesce(max(intake_id), 0) from intake").fetchall()[0][0])


def begin_event(connection: duckdb.DuckDBPyConnection) -> Event:
    """The next event."""
    sums = stored_sums(connection)
    return Event(last_intake_id(connection) + 1, snapshot_id(sums), sums)


def end_event(connection: duckdb.DuckDBPyConnection, event: Event, kind: str, received_by: str) -> None:
    """Write the event down, and the sums of the records as it leaves them."""
    store_sums(connection, event.sums)
    connection.execute(
        "insert into intake values (?, ?, ?, ?, ?, ?, ?)",
        [
            event.intake_id,
            kind,
            datetime.now(UTC).replace(tzinfo=None),
            received_by,
            program_version(),
            event.snapshot_before,
            event.snapshot_after,
        ],
    )


def put_rows(
    connection: duckdb.DuckDBPyConnection, event: Event, record: RecordType, relation: str, new_sum: ContentSum
) -> None:
    """Rows of a relation become current; those that the registry holds under their keys become former versions.

    relation: has the fields of the record type, each key once, `row_id` for the order, and `key_is_known`: the registry
        holds the key. Where none is known, the registry's rows are not read.
    new_sum: the content sum over it.
    """
    end_rows(connection, event, record, f"(from {relation} where key_is_known)")
    fields = field_names_sql(record)
    connection.execute(
        f"insert into {quoted(record.name)} ({fields}, intake_id) select {fields}, ? from {relation} order by row_id",
        [event.intake_id],
    )
    event.sums[record.name] += new_sum


def end_rows(connection: duckdb.DuckDBPyConnection, event: Event, record: RecordType, relation: str) -> int:
    """Current rows whose keys are in the relation become former versions. Returns how many there were."""
    connection.execute(
        f"create or replace temp table ended as select held.* from {quoted(record.name)} as held "
        f"semi join {relation} as new on {key_equal_sql(record, 'held', 'new')}"
    )
    count = int(connection.execute("select count(*) from ended").fetchall()[0][0])
    if count:
        event.sums[record.name] -= content_sum(connection, record, "ended")
        fields = field_names_sql(record)
        connection.execute(
            f"insert into {quoted(history_table(record))} ({fields}, intake_id, replaced_by_intake_id) "
            f"select {fields}, intake_id, ? from ended",
            [event.intake_id],
        )
        connection.execute(
            f"delete from {quoted(record.name)} as held using ended where {key_equal_sql(record, 'held', 'ended')}"
        )
    connection.execute("drop table ended")
    return count
