"""All rows of a delivery, as text, in temporary tables: one table a record type, one line a row.

Nothing is judged here. Every fault of every file is gathered first, and then they are reported together.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import polars as pl

from registry import quoted
from registry.definition import RECORD_TYPES, RecordType

from ..mapping import REASONS
from ..sources import SourceSheet
from .ahead import made_ahead
from .incoming import CLAIMED, ROW_NUMBER, Incoming
from .names import SENT, staged

if TYPE_CHECKING:
    import duckdb

UNMAPPED = "unmapped_value"
"""Values that a mapping could not read: `record_type`, `row_id`, `field`, `rule`."""


@dataclass(frozen=True)
class StagedFile:
    """A sheet whose rows of one record type are staged. `file_id` numbers them from 0."""

    file_id: int
    label: str
    file_name: str
    sheet: str | None
    sha256: str
    mapping_digest: str | None
    record: RecordType
    source: SourceSheet | None


def prepare_staging(connection: duckdb.DuckDBPyConnection) -> None:
    """Make the empty staging tables of all record types."""
    for record in RECORD_TYPES:
        columns = ", ".join(f"{quoted(name)} varchar" for name in record.field_names)
        connection.execute(
            f"create temp table {staged(record)} (row_id bigint, file_id integer, row_number bigint, "
            f"held_back_id bigint, claimed bigint[], unmapped varchar[], {columns})"
        )
    connection.execute(
        f"create temp table {SENT} (file_id integer, file_name varchar, sheet varchar, sha256 varchar, "
        "mapping_digest varchar, record_type varchar, was_sent_before boolean)"
    )
    connection.execute(
        f"create temp table {UNMAPPED} (record_type varchar, row_id bigint, field varchar, rule varchar)"
    )


def stage(connection: duckdb.DuckDBPyConnection, tables: Iterable[Incoming]) -> list[StagedFile]:
    """Append the rows of all tables to the staging tables. The next table is made while one is appended.

    Raises: GraftledgerError where a file is at fault.
    """
    done: list[StagedFile] = []
    for table in made_ahead(tables):
        file = StagedFile(
            len(done),
            table.label,
            table.file_name,
            table.sheet,
            table.sha256,
            table.mapping_digest,
            table.record,
            table.source,
        )
        done.append(file)
        _append(connection, file, table)
        connection.execute(
            f"insert into {SENT} select $1, $2, $3, $4, $5, $6, exists (from intake_file where sha256 = $4 "
            "and mapping_digest is not distinct from $5 and record_type = $6)",
            [file.file_id, file.file_name, file.sheet, file.sha256, file.mapping_digest, file.record.name],
        )
    return done


def next_row_id(connection: duckdb.DuckDBPyConnection, record: RecordType) -> int:
    """The first row id that no staged row of the record type has."""
    return int(connection.execute(f"select count(*) from {staged(record)}").fetchall()[0][0])


def _append(connection: duckdb.DuckDBPyConnection, file: StagedFile, table: Incoming) -> None:
    record, first = table.record, next_row_id(connection, table.record)
    names = [name for name in table.frame.columns if name in record.field_names]
    frame = table.frame.select(ROW_NUMBER, CLAIMED, *names).with_row_index("row_id", offset=first)
    connection.register("incoming", frame.with_columns(_unmapped(table)).to_arrow())
    columns = ", ".join(map(quoted, names))
    connection.execute(
        f"insert into {staged(record)} (row_id, file_id, row_number, claimed, unmapped, {columns}) "
        f"select row_id, ?, {ROW_NUMBER}, {CLAIMED}, unmapped, {columns} from incoming",
        [file.file_id],
    )
    connection.unregister("incoming")
    if table.faults is not None and table.faults.height:
        connection.register("faults", table.faults.select("position", "field", "rule").to_arrow())
        connection.execute(
            f"insert into {UNMAPPED} select distinct ?, position + ?, field, rule from faults", [record.name, first]
        )
        connection.unregister("faults")


def _unmapped(table: Incoming) -> pl.Series:
    """The fields of each row that the mapping could not read; null where it read all."""
    nothing = pl.Series("unmapped", [None], dtype=pl.List(pl.String)).new_from_index(0, table.frame.height)
    if table.faults is None or not table.faults.height:
        return nothing.alias("unmapped")
    assert set(table.faults["rule"]) <= set(REASONS)
    fields = table.faults.group_by(pl.col("position").cast(pl.Int64)).agg(pl.col("field").unique().sort())
    rows = pl.DataFrame({"position": pl.int_range(table.frame.height, dtype=pl.Int64, eager=True)})
    return rows.join(fields, on="position", how="left", maintain_order="left")["field"].alias("unmapped")
