"""Rows held back, kept with their content so that the site can mend them and they can be judged again.

Nothing gets here but what the de-identification gate has passed. Of a patient who has withdrawn consent the key, site
and status are kept, since they ask for the erasure; a row that is refused is not kept at all.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import polars as pl

from registry import Settings, literal, quoted
from registry.definition import PATIENT, RecordType, Severity, record_type
from registry.definition.row_checks import CONSENT_WITHDRAWN

from .entries import content_sql, record_key_sql
from .names import staged, typed, verdict
from .staging import StagedFile

if TYPE_CHECKING:
    import duckdb

NEW_ENTRY = "new_entry"
"""Temporary table: `held_back_id` of each entry that the event makes, with `record_type`, `row_id` and `file_id`."""

_OF_WITHDRAWN = ("patient_key", "site_code", "status_at_last_contact")
_SHEETS = "source_sheet"
_FILES = "delivered_file"


def hold_back(
    connection: duckdb.DuckDBPyConnection,
    records: Sequence[RecordType],
    files: Sequence[StagedFile],
    settings: Settings,
    intake_id: int,
) -> None:
    """Make an entry of every row held back; a row that was held back before gets another only for other reasons."""
    _register_sources(connection, files)
    connection.execute(
        f"create or replace temp table {NEW_ENTRY} "
        "(held_back_id bigint, record_type varchar, row_id bigint, file_id integer)"
    )
    for record in records:
        if _number_entries(connection, record):
            _write_entries(connection, record, settings, intake_id)
    connection.execute(
        f"update registry_info set next_held_back_id = next_held_back_id + (select count(*) from {NEW_ENTRY})"
    )
    connection.unregister(_SHEETS)
    connection.unregister(_FILES)


def _register_sources(connection: duckdb.DuckDBPyConnection, files: Sequence[StagedFile]) -> None:
    """The files, and the rows of mapped sheets in the site's own columns as JSON, each once."""
    schema = {"file_id": pl.Int64, "file_name": pl.String, "sheet": pl.String, "sha256": pl.String, "digest": pl.String}
    rows = [(file.file_id, file.file_name, file.sheet, file.sha256, file.mapping_digest) for file in files]
    connection.register(_FILES, pl.DataFrame(rows, schema=schema, orient="row").to_arrow())
    sheets = [
        pl.DataFrame(
            {
                "file_id": pl.repeat(file.file_id, file.source.frame.height, dtype=pl.Int64, eager=True),
                "row_number": file.source.row_numbers,
                "source": file.source.frame.select(pl.struct(pl.all()).struct.json_encode()).to_series(),
            }
        )
        for file in files
        if file.source is not None
    ]
    nothing = pl.DataFrame(schema={"file_id": pl.Int64, "row_number": pl.Int64, "source": pl.String})
    connection.register(_SHEETS, pl.concat([nothing, *sheets]).to_arrow())


def _number_entries(connection: duckdb.DuckDBPyConnection, record: RecordType) -> int:
    numbered = connection.execute(
        f"""
        insert into {NEW_ENTRY}
        with found as (
            select distinct verdict.row_id, rule, field
            from {verdict(record)} as verdict
            join finding on finding.record_type = $record and finding.row_id = verdict.same_as
            join check_made using (check_id)
            where fate = 'held_back' and severity = $hold
        ),
        now as (select row_id, list_sort(list((rule, field))) as reasons from found group by all),
        before as (
            select held_back_id, list_sort(list_distinct(list((rule, field)))) as reasons
            from held_back semi join {staged(record)} using (held_back_id) group by all
        )
        select
            (select next_held_back_id from registry_info) + (select count(*) from {NEW_ENTRY})
                + row_number() over (order by row_id) - 1,
            $record,
            row_id,
            file_id
        from {verdict(record)}
        join now using (row_id)
        left join before using (held_back_id)
        where before.reasons is distinct from now.reasons
        """,
        {"record": record.name, "hold": Severity.HOLD},
    ).fetchall()
    return int(numbered[0][0])


def _write_entries(
    connection: duckdb.DuckDBPyConnection, record: RecordType, settings: Settings, intake_id: int
) -> None:
    connection.execute(
        f"""
        insert into held_back_row (
            held_back_id, intake_id, file_name, sheet, sha256, row_number, record_type, record_key, site_code,
            mapping_digest, content, source_content, waits, unmapped
        )
        with withdrawn as (
            select row_id from finding join check_made using (check_id)
            where record_type = '{PATIENT.name}' and record_type = $record and rule = '{CONSENT_WITHDRAWN}'
        ),
        source as (select distinct on (file_id, row_number) * from {_SHEETS}),
        placed as ({_placed_sql(record)})
        select
            entry.held_back_id,
            $intake,
            coalesce(file.file_name, former.file_name),
            if(file.file_id is null, former.sheet, file.sheet),
            coalesce(file.sha256, former.sha256),
            verdict.row_number,
            $record,
            {record_key_sql(record, "sent")},
            if(list_contains($sites, placed.site_code), placed.site_code, null),
            if(file.file_id is null, former.mapping_digest, file.digest),
            if(withdrawn.row_id is null, {content_sql(record, "sent")}, {content_sql(record, "sent", _OF_WITHDRAWN)}),
            case when withdrawn.row_id is null then coalesce(source.source, former.source_content) end,
            verdict.waits,
            sent.unmapped
        from {NEW_ENTRY} as entry
        join {verdict(record)} as verdict on verdict.row_id = entry.row_id
        join {staged(record)} as sent on sent.row_id = entry.row_id
        left join placed on placed.row_id = entry.row_id
        left join withdrawn on withdrawn.row_id = verdict.same_as
        left join {_FILES} as file on file.file_id = entry.file_id
        left join source on source.file_id = entry.file_id and source.row_number = verdict.row_number
        left join held_back_row as former on former.held_back_id = sent.held_back_id
        where entry.record_type = $record
        order by entry.held_back_id
        """,
        {"intake": intake_id, "record": record.name, "sites": list(settings.sites)},
    )
    connection.execute(
        f"""
        insert into held_back
        select entry.held_back_id, rule, field, reason, mend
        from {NEW_ENTRY} as entry
        join {verdict(record)} as verdict on verdict.row_id = entry.row_id
        join finding on finding.record_type = $record and finding.row_id = verdict.same_as
        join check_made using (check_id)
        where entry.record_type = $record and severity = $hold
        order by entry.held_back_id, rule, field
        """,
        {"record": record.name, "hold": Severity.HOLD},
    )


def _placed_sql(record: RecordType) -> str:
    """SQL for the site of each new entry: its own, or that of the record it refers to, wherever that stands."""
    new = f"(from {NEW_ENTRY} where record_type = {literal(record.name)})"
    if "site_code" in record.field_names:
        return f"select row_id, site_code from {staged(record)} semi join {new} using (row_id)"
    assert record.parent is not None
    parent = record_type(record.parent)
    key = quoted(parent.key[0])
    sites = " union all ".join(
        [
            *(f"select {key} as key, site_code from {table}" for table in (quoted(parent.name), staged(parent))),
            "select record_key, json_extract_string(content, '$.site_code') "
            f"from held_back_row where record_type = {literal(parent.name)}",
        ]
    )
    return (
        f"select row_id, any_value(site_code) as site_code from {typed(record)} semi join {new} using (row_id) "
        f"join ({sites}) on key = {quoted(str(record.parent_key))} group by row_id"
    )
