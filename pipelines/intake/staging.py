"""All files of a delivery, as text, in temporary tables: one table a record type, one line a row of a file.

Nothing is judged here. Every fault of every file is gathered first, and then they are reported together.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from registry import Fault, GraftledgerError, quoted
from registry.definition import RecordType

from .columns import record_of_columns
from .paths import labels_of
from .reading import ROW_NUMBER, Source, open_source, text_batches

if TYPE_CHECKING:
    import duckdb
    import polars as pl


@dataclass(frozen=True)
class StagedFile:
    """A file whose rows are staged. `file_id` numbers the files of the delivery from 0."""

    file_id: int
    label: str
    sha256: str
    record: RecordType


def staged(record: RecordType) -> str:
    """Name of the staging table: `row_id` unique within it, `file_id`, `row_number`, and each field as text."""
    return f"staged_{record.name}"


def stage_files(
    connection: duckdb.DuckDBPyConnection,
    files: Sequence[Path],
    as_type: RecordType | None,
    progress: Callable[[str], None],
) -> list[StagedFile]:
    """Read every file into the staging tables.

    Raises: GraftledgerError with the faults of all files.
    """
    faults: list[Fault] = []
    done: list[StagedFile] = []
    row_counts: dict[str, int] = {}
    for file_id, (path, label) in enumerate(zip(files, labels_of(files), strict=True)):
        progress(f"Reading {label}")
        source, record, found = _opened(path, label, as_type)
        faults += found
        if source is None:
            continue
        try:
            for batch in text_batches(source):
                if record is not None and not faults:
                    first_row_id = row_counts.get(record.name, 0)
                    _append(connection, record, source, batch, file_id, first_row_id)
                    row_counts[record.name] = first_row_id + batch.height
        except GraftledgerError as error:
            faults += error.faults
        else:
            if record is not None:
                done.append(StagedFile(file_id, label, source.sha256, record))
    if faults:
        raise GraftledgerError(*faults)
    return done


def _opened(
    path: Path, label: str, as_type: RecordType | None
) -> tuple[Source | None, RecordType | None, tuple[Fault, ...]]:
    """The file and its record type as far as both can be told, and what is wrong."""
    try:
        source = open_source(path, label)
    except GraftledgerError as error:
        return None, None, error.faults
    try:
        return source, record_of_columns(source.columns, label, as_type), ()
    except GraftledgerError as error:
        return source, None, error.faults


def _append(
    connection: duckdb.DuckDBPyConnection,
    record: RecordType,
    source: Source,
    batch: pl.DataFrame,
    file_id: int,
    first_row_id: int,
) -> None:
    columns = ", ".join(f"{quoted(name)} varchar" for name in record.field_names)
    connection.execute(
        f"create temp table if not exists {staged(record)} "
        f"(row_id bigint, file_id integer, row_number bigint, {columns})"
    )
    names = ", ".join(quoted(name) for name in source.columns)
    values = ", ".join(f"c{position}" for position in range(len(source.columns)))
    connection.register("batch", batch.with_row_index("row_id", offset=first_row_id).to_arrow())
    connection.execute(
        f"insert into {staged(record)} (row_id, file_id, row_number, {names}) "
        f"select row_id, ?, {ROW_NUMBER}, {values} from batch",
        [file_id],
    )
    connection.unregister("batch")
