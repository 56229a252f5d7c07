"""Keys of one patient that were merged: what comes under the other key belongs to the one that was kept."""

from __future__ import annotations

from typing import TYPE_CHECKING

from .names import ALIAS

if TYPE_CHECKING:
    import duckdb

_ACTIVE = """
    with recursive followed as (
        select other_key, kept_key from patient_merge where undone_by_intake_id is null and other_key <> $undone
        union all
        select followed.other_key, next.kept_key
        from followed join patient_merge as next
        on next.other_key = followed.kept_key and next.undone_by_intake_id is null and next.other_key <> $undone
    )
    select other_key, kept_key from followed
    anti join (
        from patient_merge where undone_by_intake_id is null and other_key <> $undone
    ) as further on further.other_key = followed.kept_key
"""


def note_aliases(connection: duckdb.DuckDBPyConnection, undone: str = "") -> None:
    """Make the temporary table of keys that were merged, each with the key that its patient has now.

    undone: other key of a merge that is being undone.
    """
    connection.execute(f"create or replace temp table {ALIAS} as {_ACTIVE}", {"undone": undone})
