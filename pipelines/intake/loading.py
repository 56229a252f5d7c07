"""The one transaction that brings a judged delivery into the registry, or leaves the registry as it was.

Every completed intake is written down, also one that loads nothing: that a delivery was sent again is part of the
record of what happened. The snapshot is over the records alone and does not change by it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from registry import Fault, GraftledgerError, Settings, literal, quoted
from registry.definition import Kind, RecordType, Severity, record_type
from registry.snapshot import content_sum, snapshot_id, store_sums, stored_sums
from registry.store import program_version

from .frames import count
from .judging import verdict
from .rules import good
from .staging import StagedFile
from .typed import key_equal_sql, typed

if TYPE_CHECKING:
    import duckdb


@dataclass(frozen=True)
class Loaded:
    """The number of the intake, and the snapshot before and after it."""

    intake_id: int
    snapshot_before: str
    snapshot_after: str


def load(
    connection: duckdb.DuckDBPyConnection,
    records: Sequence[RecordType],
    files: Sequence[StagedFile],
    settings: Settings,
    received_by: str,
) -> Loaded:
    """Load the good rows, note the rows held back and where everything came from. All of it or nothing.

    Raises: GraftledgerError where the rows contradict the registry; duckdb.Error where they cannot be written.
    """
    connection.execute("begin")
    try:
        loaded = _load(connection, records, files, settings, received_by)
        connection.execute("commit")
    except BaseException:
        _roll_back(connection)
        raise
    return loaded


def _roll_back(connection: duckdb.DuckDBPyConnection) -> None:
    import contextlib

    import duckdb

    with contextlib.suppress(duckdb.Error):  # a failed commit has rolled back by itself
        connection.execute("rollback")


def _load(
    connection: duckdb.DuckDBPyConnection,
    records: Sequence[RecordType],
    files: Sequence[StagedFile],
    settings: Settings,
    received_by: str,
) -> Loaded:
    sums = stored_sums(connection)
    before = snapshot_id(sums)
    intake_id = int(connection.execute("select coalesce(max(intake_id), 0) + 1 from intake").fetchall()[0][0])
    for record in records:
        _refuse_conflicts(connection, record)
        fields = ", ".join(quoted(name) for name in record.field_names)
        connection.execute(
            f"insert into {quoted(record.name)} ({fields}, intake_id) "
            f"select {fields}, ? from {good(record)} order by row_id",
            [intake_id],
        )
        sums[record.name] += content_sum(connection, record, good(record))
    store_sums(connection, sums)
    loaded = Loaded(intake_id, before, snapshot_id(sums))
    connection.execute(
        "insert into intake values (?, ?, ?, ?, ?, ?)",
        [
            intake_id,
            datetime.now(UTC).replace(tzinfo=None),
            received_by,
            program_version(),
            before,
            loaded.snapshot_after,
        ],
    )
    for file in files:
        _note_file(connection, file, intake_id, settings)
        _note_held_back(connection, file, intake_id)
    return loaded


def _refuse_conflicts(connection: duckdb.DuckDBPyConnection, record: RecordType) -> None:
    """The last guard, in place of key indexes: keys stay unique, and every row keeps its parent."""
    key = ", ".join(quoted(name) for name in record.key)
    conflicts = count(connection, f"(select {key} from {good(record)} group by all having count(*) > 1)")
    conflicts += count(
        connection,
        f"{good(record)} as new semi join {quoted(record.name)} as held on {key_equal_sql(record, 'new', 'held')}",
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


def _note_file(connection: duckdb.DuckDBPyConnection, file: StagedFile, intake_id: int, settings: Settings) -> None:
    connection.execute(
        f"""
        insert into intake_file
        select ?, ?, ?, ?, {_site_codes_sql(file.record)},
            count(*), count_if(fate = 'loaded'), count_if(fate = 'unchanged'), count_if(fate = 'held_back')
        from {verdict(file.record)} where file_id = ?
        """,
        [intake_id, file.label, file.sha256, file.record.name, file.file_id, list(settings.sites), file.file_id],
    )


def _site_codes_sql(record: RecordType) -> str:
    """The sites whose rows the file holds, by the row or its session. Parameters: the file, and the known codes."""
    source, site = f"{typed(record)} as own join {verdict(record)} using (row_id)", "own.site_code"
    if "site_code" not in record.field_names and record.parent and record.parent_key:
        parent_key = quoted(record_type(record.parent).key[0])
        source += f" join {quoted(record.parent)} as parent on own.{quoted(record.parent_key)} = parent.{parent_key}"
        site = "parent.site_code"
    return (
        f"(select coalesce(list(distinct {site} order by {site}), []) from {source} "
        f"where file_id = ? and list_contains(?, {site}))"
    )


def _note_held_back(connection: duckdb.DuckDBPyConnection, file: StagedFile, intake_id: int) -> None:
    record = file.record
    key = record.field(record.key[0])
    shown_key = quoted(key.name) if key.kind is Kind.PSEUDONYM else "null"
    connection.execute(
        f"""
        insert into held_back
        select ?, ?, ?, row_number, {shown_key}, made.rule, made.field, made.reason, made.mend
        from {verdict(record)} as verdict
        join {typed(record)} as own using (row_id)
        join finding on finding.record_type = {literal(record.name)} and finding.row_id = verdict.same_as
        join check_made as made using (check_id)
        where file_id = ? and fate = 'held_back' and made.severity = ?
        order by row_number, made.rule, made.field
        """,
        [intake_id, file.label, record.name, file.file_id, Severity.HOLD],
    )
