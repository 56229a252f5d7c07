"""Mapped records as files of the registry's own layout, and a list of what could not be mapped."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from pathlib import Path

import polars as pl

from registry import RECORD_TYPES, Fault, GraftledgerError
from registry.definition import RecordType

from .apply import MappedTable
from .faults import REASONS

UNREADABLE = "?"
"""Stands where a value could not be mapped: no field allows it, so the intake holds that row back and loses nothing."""


def faults_path(folder: Path) -> Path:
    """Where the list of a folder's values that could not be mapped stands: beside it, since it is no record."""
    return folder.with_name(f"{folder.name}_could_not_be_mapped.csv")


def write_records(tables: Sequence[MappedTable], folder: Path) -> list[Path]:
    """Write one CSV file a record type, and beside the folder a list of what could not be mapped where there is any.

    folder: new or empty. The list names each value by the row and column of the site's own file, and the row of the
    written file; it holds no value.

    Raises: GraftledgerError where the folder holds anything or cannot be written; then nothing was written.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise GraftledgerError(
            Fault("the folder is not empty.", str(folder), mend="Nothing is overwritten. Choose another folder.")
        )
    if faults_path(folder).exists():
        raise GraftledgerError(
            Fault("the file exists already.", str(faults_path(folder)), mend="Choose another folder, or remove it.")
        )
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=folder.parent, prefix=f".{folder.name}-") as unfinished:
            inner = Path(unfinished) / "records"
            inner.mkdir(mode=0o700)
            faults = [fault for record in RECORD_TYPES for fault in _write(record, tables, inner)]
            if faults:
                pl.concat(faults).write_csv(Path(unfinished) / "faults.csv")
            if folder.exists():
                folder.rmdir()
            inner.rename(folder)
            if faults:
                (Path(unfinished) / "faults.csv").rename(faults_path(folder))
    except OSError as error:
        why = (error.strerror or "error").lower()
        raise GraftledgerError(Fault(f"the records could not be written ({why}).", str(folder))) from None
    return sorted(folder.iterdir())


def _write(record: RecordType, tables: Sequence[MappedTable], folder: Path) -> list[pl.DataFrame]:
    """Write a record type's file from all its tables, and return the faults of each."""
    frames: list[pl.DataFrame] = []
    faults: list[pl.DataFrame] = []
    written = 0
    for table in tables:
        if table.record == record and table.frame.height:
            frames.append(_marked(table))
            if table.faults.height:
                faults.append(_listed(table, written))
            written += table.frame.height
    if frames:
        pl.concat(frames).write_csv(folder / f"{record.name}.csv")
    return faults


def _marked(table: MappedTable) -> pl.DataFrame:
    """The records, with `?` in place of each value that could not be mapped."""
    position = pl.int_range(pl.len())
    faulty = {
        field: rows["position"].unique().to_list()
        for (field,), rows in table.faults.group_by("field", maintain_order=True)
    }
    return table.frame.select(
        pl.when(position.is_in(faulty[name])).then(pl.lit(UNREADABLE)).otherwise(pl.col(name)).alias(name)
        if name in faulty
        else pl.col(name)
        for name in table.record.field_names
    )


def _listed(table: MappedTable, written_before: int) -> pl.DataFrame:
    reasons = {rule: reason for rule, (reason, _) in REASONS.items()}
    mends = {rule: mend for rule, (_, mend) in REASONS.items()}
    return table.faults.select(
        pl.lit(table.file_name).alias("file"),
        pl.lit(table.sheet or "").alias("sheet"),
        pl.col("row_number").cast(pl.Int64).alias("row"),
        pl.col("column"),
        pl.lit(f"{table.record.name}.csv").alias("written_file"),
        (pl.col("position").cast(pl.Int64) + written_before + 1).alias("written_row"),
        pl.col("field"),
        pl.col("rule"),
        pl.col("rule").replace_strict(reasons, default="").alias("reason"),
        pl.col("rule").replace_strict(mends, default="").alias("mend"),
    )
