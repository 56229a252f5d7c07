"""The frames that Great Expectations judges, handed out by DuckDB in chunks so that memory grows with the chunk.

Rows that read alike are judged once: a field's frame holds its distinct values (of keys, how they are written), and a
frame of rules the distinct combinations of their outcomes. Each line of a frame has a number, and stands for all rows
that read so.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from typing import TYPE_CHECKING

from registry import literal, quoted
from registry.definition import EARLIEST_DATE, Field, Kind, RecordType

from .checks import exists_column, judged_column, number_column
from .names import candidate
from .typed import readable_sql, written_sql

if TYPE_CHECKING:
    import duckdb
    import pandas as pd

CHUNK_ROWS = 200_000

ALIKE = "alike"
"""Temporary table: `number` of a line of the frames, and the columns that rows share with it."""


def field_frames(connection: duckdb.DuckDBPyConnection, record: RecordType, declared: Field) -> Iterator[pd.DataFrame]:
    """The distinct values of a field among the candidates as text, with dates and numbers beside them.

    Of a key, whether it is written like one: well, badly, not at all.
    """
    judged = quoted(judged_column(declared))
    columns = ", ".join([judged, *_readings(declared)])
    connection.execute(
        f"create or replace temp table {ALIKE} as "
        f"select (row_number() over ())::bigint - 1 as number, {columns} "
        f"from (select distinct {_judged_sql(declared)} as {judged} from {candidate(record)} as row)"
    )
    yield from _chunks(connection)


def alike_rows_sql(record: RecordType, declared: Field) -> str:
    """SQL for the `row_id` of the candidates and the `number` of the line that stands for them."""
    same = f"{_judged_sql(declared)} is not distinct from {ALIKE}.{quoted(judged_column(declared))}"
    return f"select row_id, number from {candidate(record)} as row join {ALIKE} on {same}"


def rule_frames(connection: duckdb.DuckDBPyConnection, table: str, columns: list[str]) -> Iterator[pd.DataFrame]:
    """The distinct outcomes in boolean columns of a table that has `row_id` beside them."""
    names = ", ".join(map(quoted, columns))
    connection.execute(
        f"create or replace temp table {ALIKE} as "
        f"select (row_number() over ())::bigint - 1 as number, {names} from (select distinct {names} from {table})"
    )
    yield from _chunks(connection)


def alike_outcomes_sql(table: str, columns: list[str]) -> str:
    """SQL for the `row_id` of a table's rows and the `number` of the line that stands for them."""
    same = " and ".join(f"row.{quoted(name)} is not distinct from {ALIKE}.{quoted(name)}" for name in columns)
    return f"select row_id, number from {table} as row join {ALIKE} on {same}"


def count(connection: duckdb.DuckDBPyConnection, relation: str) -> int:
    """Rows of a table or a query in brackets."""
    return int(connection.execute(f"select count(*) from {relation}").fetchall()[0][0])


def _judged_sql(declared: Field) -> str:
    text = f"row.{quoted(declared.name)}"
    return written_sql(declared, text) if declared.kind is Kind.PSEUDONYM else text


def _readings(declared: Field) -> list[str]:
    name = quoted(declared.name)
    columns = []
    if declared.kind is Kind.DATE:
        written = written_sql(declared, name)
        columns.append(
            f"case when {written} then try_cast({name} as date) is not null end as {quoted(exists_column(declared))}"
        )
        since = f"{readable_sql(declared)} - date {literal(EARLIEST_DATE)}"
        columns.append(f"({since})::double as {quoted(number_column(declared))}")
    if declared.kind in (Kind.INTEGER, Kind.NUMBER):
        columns.append(f"({readable_sql(declared)})::double as {quoted(number_column(declared))}")
    return columns


def _chunks(connection: duckdb.DuckDBPyConnection) -> Iterator[pd.DataFrame]:
    for first in itertools.count(0, CHUNK_ROWS):
        frame = _frame(
            connection.sql(
                f"select * from {ALIKE} where number >= $first and number < $first + $count",
                params={"first": first, "count": CHUNK_ROWS},
            )
        )
        if len(frame):
            yield frame
        if len(frame) < CHUNK_ROWS:
            return


def _frame(relation: duckdb.DuckDBPyRelation) -> pd.DataFrame:
    """A pandas frame indexed by the number of the line, with booleans that may be missing."""
    import pandas as pd
    import pyarrow as pa

    table = relation.to_arrow_table()
    frame: pd.DataFrame = table.to_pandas(types_mapper={pa.bool_(): pd.BooleanDtype()}.get)
    frame.index = pd.Index(frame.pop("number").to_numpy())
    return frame
