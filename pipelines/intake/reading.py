"""The one seam between file formats and the rest: whatever the format, text comes out.

A file is opened once to prove that it is whole and to learn its columns, and then read in batches. A batch is a
polars frame of text, one column for each column of the file, named `c0`, `c1` and so on, and `row_number`, which is
1 for the first row below the header. Values are trimmed and an empty value is null; a row that holds nothing at all
is left out and keeps its number. Another format is one more module and one more line in `_FORMATS`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from registry import Fault, GraftledgerError

from . import csv_format, parquet_format

_FORMATS = {".csv": csv_format, ".parquet": parquet_format}

ROW_NUMBER = "row_number"


@dataclass(frozen=True)
class Source:
    """A file that can be read.

    path, label: where it is, and what it is called in messages.
    columns: names as they stand in the file, trimmed.
    sha256: of its bytes, in hexadecimal.
    """

    path: Path
    label: str
    columns: tuple[str, ...]
    sha256: str


def open_source(path: Path, label: str) -> Source:
    """Prove that the file is whole, as far as that can be told without its rows, and learn its columns.

    Raises: GraftledgerError where it is empty, no file of its format, wrongly encoded or cannot be read.
    """
    try:
        columns, sha256 = _FORMATS[path.suffix.lower()].inspect(path, label)
    except OSError as error:
        raise _unreadable(label, error) from None
    return Source(path, label, tuple(name.strip() for name in columns), sha256)


def text_batches(source: Source) -> Iterator[pl.DataFrame]:
    """The rows of the file as text, in order.

    Raises: GraftledgerError where a row is ragged, the file breaks off, or it has no rows.
    """
    first, any_row = 1, False
    try:
        for batch in _FORMATS[source.path.suffix.lower()].batches(source.path, source.label):
            text = (
                batch.with_columns(pl.all().str.strip_chars().replace("", None))
                .with_columns(pl.int_range(first, first + batch.height, dtype=pl.Int64).alias(ROW_NUMBER))
                .filter(pl.any_horizontal(pl.all().exclude(ROW_NUMBER).is_not_null()))
            )
            first += batch.height
            if text.height:
                any_row = True
                yield text
    except OSError as error:
        raise _unreadable(source.label, error) from None
    if not any_row:
        raise GraftledgerError(
            Fault("the file has no rows.", source.label, mend="Leave it out, or send it with its rows.")
        )


def _unreadable(label: str, error: OSError) -> GraftledgerError:
    why = (error.strerror or "error").lower()
    return GraftledgerError(
        Fault(f"the file cannot be read ({why}).", label, mend="Check the file and its permissions.")
    )
