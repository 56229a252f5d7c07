"""The frames that Great Expectations judges, handed out by DuckDB in chunks so that memory grows with the chunk."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from typing import TYPE_CHECKING

from registry import literal, quoted
from registry.definition import EARLIEST_DATE, Field, Kind, RecordType

from .checks import exists_column, number_column
from .staging import staged
from .typed import readable_sql, typed

if TYPE_CHECKING:
    import duckdb
    import pandas as pd

CHUNK_ROWS = 200_000


def field_chunks(connection: duckdb.DuckDBPyConnection, record: RecordType) -> Iterator[pd.DataFrame]:
    """The candidates as text, with dates and numbers beside it. All rows of one key are in one chunk."""
    candidates = f"(select row_id from {typed(record)} where standing = 'candidate')"
    chunk_count = -(-count(connection, candidates) // CHUNK_ROWS)
    columns = ", ".join(column for declared in record.fields for column in _columns(declared))
    key = ", ".join(f"coalesce({quoted(name)}, row_id::varchar)" for name in record.key)
    for chunk in range(chunk_count):
        yield _frame(
            connection.sql(
                f"select row_id, {columns} from {staged(record)} "
                f"where row_id in {candidates} and hash({key}) % $chunk_count = $chunk",
                params={"chunk_count": chunk_count, "chunk": chunk},
            )
        )


def field_frame(chunk: pd.DataFrame, declared: Field) -> pd.DataFrame:
    """The columns that the checks of one field read; codes as a categorical, which is copied and compared faster."""
    names = [declared.name]
    if declared.kind is Kind.DATE:
        names.append(exists_column(declared))
    if declared.kind in (Kind.DATE, Kind.INTEGER, Kind.NUMBER):
        names.append(number_column(declared))
    coded = declared.kind in (Kind.CODE, Kind.CODE_SET, Kind.YES_NO, Kind.SITE, Kind.SURGEON)
    return chunk[names].astype({declared.name: "category"}) if coded else chunk[names]


def rule_frames(connection: duckdb.DuckDBPyConnection, rules_sql: str, today: date) -> Iterator[pd.DataFrame]:
    """The boolean columns of a query of `rules.py`."""
    connection.execute(
        f"create or replace temp table rule_column as {rules_sql}", {"today": today} if "$today" in rules_sql else None
    )
    for first in range(0, count(connection, "rule_column"), CHUNK_ROWS):
        yield _frame(
            connection.sql(
                "select * from rule_column limit $count offset $first", params={"count": CHUNK_ROWS, "first": first}
            )
        )


def count(connection: duckdb.DuckDBPyConnection, relation: str) -> int:
    """Rows of a table or a query in brackets."""
    return int(connection.execute(f"select count(*) from {relation}").fetchall()[0][0])


def _columns(declared: Field) -> list[str]:
    name = quoted(declared.name)
    columns = [name]
    if declared.kind is Kind.DATE:
        assert declared.pattern is not None
        written = f"regexp_full_match({name}, {literal(declared.pattern)})"
        columns.append(
            f"case when {written} then try_cast({name} as date) is not null end as {quoted(exists_column(declared))}"
        )
        since = f"{readable_sql(declared)} - date {literal(EARLIEST_DATE)}"
        columns.append(f"({since})::double as {quoted(number_column(declared))}")
    if declared.kind in (Kind.INTEGER, Kind.NUMBER):
        columns.append(f"({readable_sql(declared)})::double as {quoted(number_column(declared))}")
    return columns


def _frame(relation: duckdb.DuckDBPyRelation) -> pd.DataFrame:
    """A pandas frame indexed by row id, with booleans that may be missing."""
    import pandas as pd
    import pyarrow as pa

    table = relation.to_arrow_table()
    frame: pd.DataFrame = table.to_pandas(types_mapper={pa.bool_(): pd.BooleanDtype()}.get)
    frame.index = pd.Index(frame.pop("row_id").to_numpy())
    return frame
