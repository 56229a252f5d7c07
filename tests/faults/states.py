"""What a registry holds, to compare it before and after a fault."""

from __future__ import annotations

from pathlib import Path

from registry import RECORD_TYPES, Registry, open_registry
from registry.database_file import leftovers
from registry.verification import verify

State = dict[str, tuple[int, int]]


def contents(registry: Registry) -> State:
    """Rows and their hash by table, times of day left out."""
    tables = registry.connection.execute(
        "select table_name, list(column_name) from information_schema.columns "
        "where column_name not in ('received_at', 'written_at') group by all"
    ).fetchall()
    return {
        table: registry.connection.execute(
            f"select count(*), coalesce(sum(hash({', '.join(columns)})), 0)::hugeint from {table}"
        ).fetchall()[0]
        for table, columns in tables
    }


def state_of(folder: Path) -> State:
    """What a registry holds, after it was found sound by one who reads, and opened by one who writes.

    Copies that a kill left are told of by `verify`, and gone after the writer.
    """
    with open_registry(folder) as registry:
        assert [fault.file for fault in verify(registry)] == [path.name for path in leftovers(folder)]
        seen = contents(registry)
    with open_registry(folder, read_only=False) as registry:
        assert contents(registry) == seen
        assert len(seen) > 2 * len(RECORD_TYPES)
    assert leftovers(folder) == []
    return seen
