"""CSV by RFC 4180 in UTF-8: commas between fields, double quotes around them where needed, a header line.

Two things are stricter than the standard. A value never runs over a line end: no field of any record can hold one,
so a line end inside quotes means a quote that was never closed, which would swallow the rows that follow. And quotes
stand around a whole value or not at all.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from hashlib import sha256
from pathlib import Path
from typing import Any

import polars as pl

from registry import Fault, GraftledgerError

_BLOCK_BYTES = 8 * 2**20
_LONGEST_LINE_BYTES = 2**20
_RAGGED_SHOWN = 5
_WELL_QUOTED = r'^(?:"(?:[^"]|"")*"|[^",]*)(?:,(?:"(?:[^"]|"")*"|[^",]*))*$'
_SAVE_AS = "Save it as CSV in UTF-8."


def inspect(path: Path, label: str) -> tuple[list[str], str]:
    """Column names and SHA-256. Raises: GraftledgerError where the bytes are no sound CSV text."""
    digest = sha256()
    header: list[str] | None = None
    lines_before = 0
    for block in _line_blocks(path, label):
        digest.update(block)
        text = _decoded(block, label, lines_before)
        lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
        if '"' in text:
            _check_quotes(lines, label, lines_before)
        if header is None:
            header = _header(lines[0], label)
        lines_before += len(lines) - 1
    if header is None:
        raise GraftledgerError(Fault("the file is empty.", label, mend="Send it again, with its header and rows."))
    return header, digest.hexdigest()


def _line_blocks(path: Path, label: str) -> Iterator[bytes]:
    """The bytes of the file in blocks that end with a line."""
    with path.open("rb") as file:
        while block := file.read(_BLOCK_BYTES):
            rest = file.readline(_LONGEST_LINE_BYTES)
            if len(rest) == _LONGEST_LINE_BYTES:
                raise _binary(label)
            yield block + rest


def _decoded(block: bytes, label: str, lines_before: int) -> str:
    if block.startswith((b"\xff\xfe", b"\xfe\xff")) and lines_before == 0:
        raise GraftledgerError(Fault("the file is written in UTF-16, not in UTF-8.", label, mend=_SAVE_AS))
    if b"\0" in block or (block.startswith((b"PK\x03\x04", b"PAR1")) and lines_before == 0):
        raise _binary(label)
    try:
        return block.decode("utf-8-sig" if lines_before == 0 else "utf-8")
    except UnicodeDecodeError as error:
        line = lines_before + block.count(b"\n", 0, error.start)
        raise GraftledgerError(
            Fault("a character is not written in UTF-8.", label, row=line or None, mend=_SAVE_AS)
        ) from None


def _binary(label: str) -> GraftledgerError:
    return GraftledgerError(Fault("this is not a text file.", label, mend=_SAVE_AS))


def _check_quotes(lines: list[str], label: str, lines_before: int) -> None:
    misplaced = pl.Series(lines).str.contains(_WELL_QUOTED).not_().arg_true()
    if misplaced.len():
        raise GraftledgerError(
            Fault(
                "a double quote is misplaced or never closed; the file may have been cut off.",
                label,
                row=lines_before + misplaced[0] or None,
                mend='Put quotes around a whole value, both on one line, and write a quote inside as "".',
            )
        )


def _header(line: str, label: str) -> list[str]:
    try:
        names = next(csv.reader(io.StringIO(line)), [])
    except csv.Error:
        raise _binary(label) from None
    if not any(name.strip() for name in names):
        raise GraftledgerError(
            Fault("the first line is empty.", label, mend="Put the names of the columns in the first line.")
        )
    if len(names) == 1 and (wrong := next((mark for mark in ";\t|" if mark in line), None)):
        word = {";": "semicolons", "\t": "tabs", "|": "vertical bars"}[wrong]
        raise GraftledgerError(
            Fault(f"columns are separated by {word}, not by commas.", label, mend="Save it as CSV with commas.")
        )
    return names


def batches(path: Path, label: str) -> Iterator[pl.DataFrame]:
    """The rows below the header as text, blank lines included.

    Raises: GraftledgerError naming the rows that have more or fewer fields than the header.
    """
    import pyarrow as pa
    from pyarrow import csv as arrow_csv

    ragged: list[Fault] = []
    ragged_count = 0

    def note_ragged(row: Any) -> str:
        nonlocal ragged_count
        ragged_count += 1
        if ragged_count <= _RAGGED_SHOWN:
            ragged.append(
                Fault(
                    f"the row has {row.actual_columns} fields, the header {row.expected_columns}.",
                    label,
                    row=row.number - 1,
                    mend="Is a comma missing or too many, or was the file cut off?",
                )
            )
        return "skip"

    names = [f"c{position}" for position in range(len(_first_line_names(path, label)))]
    try:
        with arrow_csv.open_csv(
            path,
            read_options=arrow_csv.ReadOptions(
                use_threads=False, column_names=names, skip_rows=1, block_size=_BLOCK_BYTES
            ),
            parse_options=arrow_csv.ParseOptions(
                newlines_in_values=False, ignore_empty_lines=False, invalid_row_handler=note_ragged
            ),
            convert_options=arrow_csv.ConvertOptions(
                column_types=dict.fromkeys(names, pa.string()), strings_can_be_null=False
            ),
        ) as reader:
            for batch in reader:
                frame = pl.from_arrow(batch)
                assert isinstance(frame, pl.DataFrame)
                yield frame
    except pa.ArrowInvalid as error:
        if "Could not skip initial 1 rows" in str(error) or "Empty CSV file" in str(error):
            return
        raise GraftledgerError(
            Fault("the file cannot be read as CSV; it may be damaged.", label, mend=_SAVE_AS)
        ) from None
    if ragged_count > len(ragged):
        ragged.append(Fault(f"{ragged_count - len(ragged)} further rows have the wrong number of fields.", label))
    if ragged:
        raise GraftledgerError(*ragged)


def _first_line_names(path: Path, label: str) -> list[str]:
    with path.open(encoding="utf-8-sig", newline=None) as file:
        return _header(file.readline().rstrip("\n"), label)
