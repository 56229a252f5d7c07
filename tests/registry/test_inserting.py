"""Rows from Python into a table."""

from __future__ import annotations

import duckdb
import pytest

from registry.inserting import insert_values

ROWS = [(1, "a'b; drop table t"), (2, None)]


@pytest.mark.parametrize("rows", [[], ROWS[:1], ROWS])
def test_every_row_is_there_as_it_was_given(rows: list[tuple[int, str | None]]) -> None:
    with duckdb.connect() as connection:
        connection.execute("create table t (n integer, text varchar)")
        insert_values(connection, "t", rows)
        assert connection.execute("from t order by n").fetchall() == rows
