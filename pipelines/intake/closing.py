"""Entries of rows held back that an event closes: their row came in, came mended, or was held back anew."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from registry.definition import RecordType

from .entries import content_sql
from .holding import NEW_ENTRY
from .names import CLAIM, RETURNED, staged, verdict

if TYPE_CHECKING:
    import duckdb


def close_entries(connection: duckdb.DuckDBPyConnection, records: Sequence[RecordType], intake_id: int) -> None:
    """Close every entry whose row this event has settled.

    loaded: the row itself is in the registry. corrected: another row in its place is. replaced: its row, or another in
    its place, was held back anew. Where several rows stand for one entry, the one held back decides.
    A row that is refused settles nothing.
    """
    for record in records:
        connection.execute(
            f"""
            create or replace temp table closing as
            with standing_for as (
                select held_back_id, row_id from {CLAIM} where record_type = $record
                union all
                select held_back_id, row_id from {staged(record)} where file_id = {RETURNED}
            ),
            settled as (
                select
                    former.held_back_id,
                    fate,
                    former.content = {content_sql(record, "sent")} as is_same,
                    entry.held_back_id as new_id
                from standing_for
                join held_back_row as former on former.held_back_id = standing_for.held_back_id
                join {verdict(record)} as verdict on verdict.row_id = standing_for.row_id
                join {staged(record)} as sent on sent.row_id = standing_for.row_id
                left join {NEW_ENTRY} as entry on entry.record_type = $record and entry.row_id = standing_for.row_id
                where fate <> 'refused' and (fate <> 'held_back' or entry.held_back_id is not null)
            )
            select
                held_back_id,
                case
                    when bool_or(fate = 'held_back') then 'replaced'
                    when bool_or(is_same) then 'loaded'
                    else 'corrected'
                end as closed_as,
                max(new_id) as replaced_by
            from settled group by all
            """,
            {"record": record.name},
        )
        connection.execute(
            "update held_back_row set closed_as = closing.closed_as, closed_by_intake_id = ?, "
            "replaced_by = closing.replaced_by from closing "
            "where closing.held_back_id = held_back_row.held_back_id and held_back_row.closed_as is null",
            [intake_id],
        )
        connection.execute("drop table closing")
