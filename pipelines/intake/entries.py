"""Rows held back before, as entries: how they are matched with the rows of a delivery, and how they come back.

An entry is matched by the key of its record where that is well-formed, else by its content; and by its number where a
row of an exported workbook names it, which alone can tell which row a mended key belongs to.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry import field_names_sql, literal, quoted
from registry.definition import RECORD_TYPES, SETTINGS_CODE_PATTERN, Field, Kind, RecordType, record_type

from .names import ALIAS, CLAIM, RETURNED, staged
from .staging import next_row_id

if TYPE_CHECKING:
    import duckdb


def record_key_sql(record: RecordType, alias: str) -> str:
    """SQL for the key of a staged row, where it is well-formed; else null. Several fields are joined by '/'."""
    parts = [quoted(alias) + "." + quoted(name) for name in record.key]
    formed = " and ".join(
        f"regexp_full_match({part}, {literal(_key_pattern(record.field(name)))})"
        for part, name in zip(parts, record.key, strict=True)
    )
    joined = " || '/' || ".join(parts)
    return f"case when {formed} then {joined} end"


def _key_pattern(field: Field) -> str:
    return SETTINGS_CODE_PATTERN if field.kind is Kind.SITE else str(field.pattern)


def content_sql(record: RecordType, alias: str, only: tuple[str, ...] = ()) -> str:
    """SQL for the fields of a staged row that hold anything, as a JSON object of text.

    only: names of the fields to keep; all where empty.
    """
    pairs = ", ".join(
        f"{{'k': {literal(name)}, 'v': {quoted(alias)}.{quoted(name)}}}"
        for name in record.field_names
        if not only or name in only
    )
    return f"to_json(map_from_entries(list_filter([{pairs}], lambda pair: pair.v is not null)))::varchar"


def note_claims(connection: duckdb.DuckDBPyConnection) -> None:
    """Make the temporary table of the entries that rows of this delivery stand for."""
    connection.execute(f"create temp table {CLAIM} (held_back_id bigint, record_type varchar, row_id bigint)")
    if not _any_entry(connection):
        return
    for record in RECORD_TYPES:
        connection.execute(
            f"""
            insert into {CLAIM}
            with recursive own as (
                select row_id, claimed, {record_key_sql(record, "row")} as record_key,
                    {content_sql(record, "row")} as content
                from {staged(record)} as row where file_id <> {RETURNED}
            ),
            entry as (from held_back_row where record_type = $record and closed_as is null),
            alike as (
                select held_back_id, row_id from entry join own using (record_key)
                union
                select held_back_id, row_id
                from entry join own using (content) where entry.record_key is null
            ),
            followed as (
                select row_id, unnest(claimed) as held_back_id from own
                union
                select row_id, replaced_by from followed join held_back_row using (held_back_id)
                where replaced_by is not null
            )
            select held_back_id, $record, row_id from alike
            union
            select held_back_id, $record, row_id
            from followed semi join entry using (held_back_id) anti join alike using (held_back_id)
            """,
            {"record": record.name},
        )


def stage_waiting(connection: duckdb.DuckDBPyConnection) -> None:
    """Let rows that wait for a parent join where it has come, unless the delivery brings them itself."""
    if not _any_entry(connection):
        return
    for record in RECORD_TYPES:
        if record.parent is None:
            continue
        parent = record_type(record.parent)
        key = quoted(parent.key[0])
        _stage_entries(
            connection,
            record,
            f"waits and held_back_id not in (select held_back_id from {CLAIM}) "
            f"and json_extract_string(content, '$.{record.parent_key}') in ("
            f"select {key} from {staged(parent)} where {key} is not null "
            f"union all select {key} from {quoted(parent.name)} union all select other_key from {ALIAS})",
        )


def stage_open(connection: duckdb.DuckDBPyConnection) -> int:
    """Let all rows held back be judged again. Returns how many cannot be, for want of a value that was not mapped."""
    for record in RECORD_TYPES:
        _stage_entries(connection, record, "unmapped is null")
    left = "select count(*) from held_back_row where closed_as is null and unmapped is not null"
    return int(connection.execute(left).fetchall()[0][0])


def _stage_entries(connection: duckdb.DuckDBPyConnection, record: RecordType, which: str) -> None:
    texts = ", ".join(f"json_extract_string(content, {literal(f'$.{name}')})" for name in record.field_names)
    connection.execute(
        f"insert into {staged(record)} (row_id, file_id, row_number, held_back_id, {field_names_sql(record)}) "
        f"select ? + row_number() over (order by held_back_id) - 1, {RETURNED}, row_number, held_back_id, {texts} "
        f"from held_back_row where record_type = ? and closed_as is null and {which}",
        [next_row_id(connection, record), record.name],
    )


def _any_entry(connection: duckdb.DuckDBPyConnection) -> bool:
    return bool(connection.execute("select exists (from held_back_row where closed_as is null)").fetchall()[0][0])
