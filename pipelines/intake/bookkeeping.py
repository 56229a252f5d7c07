"""What an event leaves beside the records: its files, what each check found, and rows that came back."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry import Settings, quoted
from registry.definition import RecordType, Severity, record_type

from .frames import count
from .names import RETURNED, SENT, typed, verdict

if TYPE_CHECKING:
    import duckdb

FATES = ("loaded", "corrected", "unchanged", "held_back", "refused")

FIRST_ROWS = 5
"""How many of the rows that failed a check are kept, by their numbers in the file."""


def fate_counts_sql() -> str:
    """Columns that count the rows of a verdict by fate, in the order of FATES; 0 where there are no rows."""
    return ", ".join(f"count(*) filter (where fate = '{fate}')" for fate in FATES)


def file_counts_sql(record: RecordType) -> str:
    """SQL for a row a file with what became of its rows: read, the fates, waiting, warned. Parameters: record, warn."""
    return (
        f"select file_id, count(*), {fate_counts_sql()}, count(*) filter (where waits), "
        "count(*) filter (where fate in ('loaded', 'corrected') and row_id in (select row_id from finding "
        "join check_made using (check_id) where record_type = $record and severity = $warn)) "
        f"from {verdict(record)} group by file_id"
    )


def note_files(connection: duckdb.DuckDBPyConnection, record: RecordType, intake_id: int, settings: Settings) -> None:
    """Where the rows of each file came from, and what became of them."""
    connection.execute(
        f"""
        insert into intake_file (
            intake_id, file_name, sheet, sha256, mapping_digest, record_type, site_codes, rows_read, rows_loaded,
            rows_corrected, rows_unchanged, rows_held_back, rows_refused, rows_waiting, rows_warned
        )
        with counted as ({file_counts_sql(record)}),
        of_sites as ({_site_codes_sql(record)})
        select $intake, file_name, sheet, sha256, mapping_digest, record_type, coalesce(site_codes, []),
            coalesce(columns(counted.* exclude (file_id)), 0)
        from {SENT} left join counted using (file_id) left join of_sites using (file_id)
        where record_type = $record order by file_id
        """,
        {"intake": intake_id, "record": record.name, "sites": list(settings.sites), "warn": Severity.WARN},
    )


def note_returned(connection: duckdb.DuckDBPyConnection, record: RecordType, intake_id: int) -> None:
    """What became of rows held back before that were judged again."""
    returned = f"{verdict(record)} where file_id = {RETURNED}"
    if count(connection, returned):
        connection.execute(
            f"insert into intake_returned select ?, ?, count(*), {fate_counts_sql()} from {returned}",
            [intake_id, record.name],
        )


def note_results(connection: duckdb.DuckDBPyConnection, record: RecordType, intake_id: int) -> None:
    """What each check found in each file: of how many rows that it could judge, how many failed, and the first of them.

    A check that only notes failures, such as an answer that the mapping does not know, has judged every row that the
    registry did not hold already.
    Of rows that are refused nothing is kept, not even where they stand.
    """
    connection.execute(
        f"""
        insert into validation_result
        with failed as (
            select file_id, check_id, count(*) as failing,
                min(row_number, {FIRST_ROWS}) filter (where fate <> 'refused') as first_rows
            from finding join {verdict(record)} using (row_id)
            where record_type = $record group by all
        ),
        judged as (
            select file_id, check_id, judging from judged_rows where record_type = $record
        ),
        new as (
            select file_id, count(*) as looked_at from {verdict(record)} where fate <> 'unchanged' group by file_id
        )
        select $intake, file_name, sheet, record_type, rule, field, severity, reason, mend,
            greatest(coalesce(judging, looked_at, 0), coalesce(failing, 0)),
            coalesce(failing, 0), coalesce(first_rows, [])
        from judged full join failed using (file_id, check_id) join check_made using (check_id)
            join {SENT} using (file_id) left join new using (file_id)
        where record_type = $record order by file_id, rule, field, reason
        """,
        {"intake": intake_id, "record": record.name},
    )


def _site_codes_sql(record: RecordType) -> str:
    """The sites (of `$sites`) whose rows each file holds, by the row or its session."""
    source, site = f"{typed(record)} as own", "own.site_code"
    if "site_code" not in record.field_names and record.parent and record.parent_key:
        parent_key = quoted(record_type(record.parent).key[0])
        source += f" join {quoted(record.parent)} as parent on own.{quoted(record.parent_key)} = parent.{parent_key}"
        site = "parent.site_code"
    return (
        f"select file_id, list(site order by site) as site_codes from (select distinct file_id, {site} as site "
        f"from {source} where list_contains($sites, {site})) group by file_id"
    )
