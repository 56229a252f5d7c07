"""The report of an intake, counted from the tables that judging left."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from registry import literal
from registry.changes import Event
from registry.definition import PATIENT, RecordType, Severity
from registry.definition.row_checks import CONSENT_WITHDRAWN

from .bookkeeping import fate_counts_sql, file_counts_sql
from .names import RETURNED, verdict
from .report import FileCount, IntakeReport, ReturnedCount, RuleCount
from .staging import StagedFile

if TYPE_CHECKING:
    import duckdb

_PLACES = 3


def report_of(
    connection: duckdb.DuckDBPyConnection,
    records: Sequence[RecordType],
    files: Sequence[StagedFile],
    event: Event,
    kind: str,
) -> IntakeReport:
    """The report of an intake that has been loaded."""
    rules = [rule for record in records for rule in _rule_counts(connection, record, files)]
    rules.sort(key=lambda rule: (rule.severity is Severity.WARN, -rule.rows, rule.record, rule.rule, rule.field))
    counts = {record.name: _file_counts(connection, record) for record in records}
    returned = [_returned_count(connection, record) for record in records]
    return IntakeReport(
        event.intake_id,
        kind,
        tuple(_file_count(file, counts[file.record.name].get(file.file_id)) for file in files),
        tuple(count for count in returned if count.judged),
        _entries_closed(connection, event.intake_id),
        withdrawn_patients(connection),
        tuple(rules),
        event.snapshot_before,
        event.snapshot_after,
    )


def withdrawn_patients(connection: duckdb.DuckDBPyConnection) -> tuple[str, ...]:
    """Keys of patients who have withdrawn consent and are not erased yet."""
    rows = connection.execute(
        "select distinct record_key from held_back_row join held_back using (held_back_id) "
        "where closed_as is null and record_type = ? and rule = ? and record_key is not null order by 1",
        [PATIENT.name, CONSENT_WITHDRAWN],
    ).fetchall()
    return tuple(key for (key,) in rows)


def _file_counts(connection: duckdb.DuckDBPyConnection, record: RecordType) -> dict[int, tuple[int, ...]]:
    """What became of the rows of each file that has any, by its number."""
    values = {"record": record.name, "warn": Severity.WARN}
    rows = connection.execute(file_counts_sql(record), values).fetchall()
    return {file_id: tuple(counts) for file_id, *counts in rows}


def _file_count(file: StagedFile, counts: tuple[int, ...] | None) -> FileCount:
    read, loaded, corrected, unchanged, held_back, refused, waiting, warned = counts or (0,) * 8
    return FileCount(
        file.label, file.record.name, read, loaded, corrected, unchanged, held_back, waiting, refused, warned
    )


def _returned_count(connection: duckdb.DuckDBPyConnection, record: RecordType) -> ReturnedCount:
    counts = connection.execute(
        f"select count(*), {fate_counts_sql()} from {verdict(record)} where file_id = {RETURNED}"
    ).fetchall()
    return ReturnedCount(record.name, *counts[0])


def _entries_closed(connection: duckdb.DuckDBPyConnection, intake_id: int) -> dict[str, int]:
    rows = connection.execute(
        "select closed_as, count(*) from held_back_row where closed_by_intake_id = ? group by all order by 1",
        [intake_id],
    ).fetchall()
    return dict(rows)


def _rule_counts(
    connection: duckdb.DuckDBPyConnection, record: RecordType, files: Sequence[StagedFile]
) -> list[RuleCount]:
    labels = {file.file_id: file.label for file in files} | {RETURNED: "rows held back before"}
    rows = connection.execute(
        f"""
        select rule, field, severity, reason, mend, count(*),
            min({{'file_id': if(file_id = {RETURNED}, {2**31 - 1}, file_id), 'row_number': row_number}}, {_PLACES})
        from {verdict(record)} as verdict
        join finding on finding.record_type = {literal(record.name)} and finding.row_id = verdict.same_as
        join check_made using (check_id)
        where case severity when ? then fate in ('held_back', 'refused') else fate in ('loaded', 'corrected') end
        group by all
        """,
        [Severity.HOLD],
    ).fetchall()
    return [
        RuleCount(
            record.name,
            rule,
            field,
            Severity(severity),
            reason,
            mend,
            count,
            tuple(f"{labels.get(place['file_id'], labels[RETURNED])} row {place['row_number']}" for place in places),
        )
        for rule, field, severity, reason, mend, count, places in rows
    ]
