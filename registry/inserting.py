"""Rows from Python into a table."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import duckdb


def insert_values(connection: duckdb.DuckDBPyConnection, table: str, rows: Sequence[Sequence[Any]]) -> None:
    """Insert a few rows, each with a value for every column, in one statement: one a row takes a millisecond each."""
    if rows:
        line = f"({', '.join('?' * len(rows[0]))})"
        connection.execute(
            f"insert into {table} values {', '.join([line] * len(rows))}", [value for row in rows for value in row]
        )
