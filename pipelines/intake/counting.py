"""The report of an intake, counted from the tables that judging left."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from registry import literal
from registry.definition import RecordType, Severity

from .judging import verdict
from .loading import Loaded
from .report import FileCount, IntakeReport, RuleCount
from .staging import StagedFile

if TYPE_CHECKING:
    import duckdb

_PLACES = 3


def report_of(
    connection: duckdb.DuckDBPyConnection,
    records: Sequence[RecordType],
    files: Sequence[StagedFile],
    loaded: Loaded,
) -> IntakeReport:
    """The report of an intake that has been loaded."""
    rules = [rule for record in records for rule in _rule_counts(connection, record, files)]
    rules.sort(key=lambda rule: (rule.severity is Severity.WARN, -rule.rows, rule.record, rule.rule, rule.field))
    return IntakeReport(
        loaded.intake_id,
        tuple(_file_count(connection, file) for file in files),
        tuple(rules),
        loaded.snapshot_before,
        loaded.snapshot_after,
    )


def _file_count(connection: duckdb.DuckDBPyConnection, file: StagedFile) -> FileCount:
    counts = connection.execute(
        f"""
        select count(*), count_if(fate = 'loaded'), count_if(fate = 'unchanged'), count_if(fate = 'held_back'),
            count_if(fate = 'loaded' and row_id in (
                select row_id from finding join check_made using (check_id) where record_type = ? and severity = ?
            ))
        from {verdict(file.record)} where file_id = ?
        """,
        [file.record.name, Severity.WARN, file.file_id],
    ).fetchall()
    read, taken, unchanged, held_back, warned = counts[0]
    return FileCount(file.label, file.record.name, read, taken, unchanged, held_back, warned)


def _rule_counts(
    connection: duckdb.DuckDBPyConnection, record: RecordType, files: Sequence[StagedFile]
) -> list[RuleCount]:
    labels = {file.file_id: file.label for file in files}
    rows = connection.execute(
        f"""
        select rule, field, severity, reason, mend, count(*),
            min({{'file_id': file_id, 'row_number': row_number}}, {_PLACES})
        from {verdict(record)} as verdict
        join finding on finding.record_type = {literal(record.name)} and finding.row_id = verdict.same_as
        join check_made using (check_id)
        where fate = case severity when ? then 'held_back' else 'loaded' end
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
            tuple(f"{labels[place['file_id']]} row {place['row_number']}" for place in places),
        )
        for rule, field, severity, reason, mend, count, places in rows
    ]
