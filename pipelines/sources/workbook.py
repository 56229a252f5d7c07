"""Excel workbooks (.xlsx): every sheet that holds anything, its values as text.

Dates come out as YYYY-MM-DD (with the time behind, where there is one), times as H:MM:SS, yes and no for true and
false, numbers with a decimal point and at most nine decimals, whole ones without. A cell that shows an error
(#N/A, #DIV/0!) is empty. Formulas come out as the value that was last computed. The header is the first row that
holds anything. Hidden sheets are read too: what is hidden is still sent.
"""

from __future__ import annotations

import re
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import polars as pl

from registry import Fault, GraftledgerError

from .limits import check_extent, check_file_size, check_text_bytes
from .sheet import SourceSheet, clean_values, make_sheet

_CHUNK_BYTES = 4 * 2**20
_CELL = re.compile(rb"""\sr=["']([A-Z]{1,3})([0-9]{1,7})["']""")
_LONGEST_REFERENCE = 20
_BROKEN_ZIP = (zipfile.BadZipFile, EOFError, NotImplementedError, RuntimeError, ValueError, OverflowError)


def read(path: Path, label: str, encoding: str | None = None) -> list[SourceSheet]:
    """The sheets that hold anything. Raises: GraftledgerError where the file is no sound workbook or has no rows."""
    _check_parts(path, label)
    sheets = []
    for name, frame in _raw_sheets(path, label):
        check_text_bytes(int(frame.estimated_size()), label)
        filled = clean_values(frame).select(pl.any_horizontal(pl.all().is_not_null())).to_series().arg_true()
        if not filled.len():
            continue
        header = int(filled[0])
        rows = frame.slice(header + 1).with_columns(_readable(column) for column in frame.columns)
        sheets.append(make_sheet(label, name, frame.row(header), [clean_values(rows)], has_number_cells=True))
    if all(sheet.frame.is_empty() for sheet in sheets):
        raise GraftledgerError(Fault("the workbook has no rows.", label, mend="Send it again, with its rows."))
    return sheets


def _readable(column: str) -> pl.Expr:
    """Midnight is no time of day, and a time alone has no day."""
    return (
        pl.col(column)
        .str.replace(r"^([0-9]{4}-[0-9]{2}-[0-9]{2}) 00:00:00$", "${1}")
        .str.replace(r"^1899-12-31 ", "")
        .replace({"true": "yes", "false": "no"})
    )


def _raw_sheets(path: Path, label: str) -> Iterator[tuple[str, pl.DataFrame]]:
    import fastexcel

    try:
        book = fastexcel.read_excel(path)
        for name in book.sheet_names:
            sheet: Any = book.load_sheet(name, header_row=None, skip_rows=0, dtypes="string")
            yield name, sheet.to_polars()
    except fastexcel.FastExcelError:
        raise _damaged(label) from None
    except BaseException as error:
        if type(error).__name__ != "PanicException":  # how the parser's own failures arrive
            raise
        raise _damaged(label) from None


def _check_parts(path: Path, label: str) -> None:
    """Refuse what is no workbook, and one that would not fit into memory: its cells make a full rectangle there."""
    with path.open("rb") as file:
        if file.read(8) == b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1":
            raise GraftledgerError(
                Fault(
                    "the workbook is protected by a password, or is in the old .xls format.",
                    label,
                    mend="Save it as .xlsx without a password.",
                )
            )
    unpacked = 0
    try:
        with zipfile.ZipFile(path) as archive:
            for part in archive.infolist():
                rows = columns = 0
                tail = b""
                with archive.open(part) as stream:
                    while chunk := stream.read(_CHUNK_BYTES):
                        unpacked += len(chunk)
                        check_file_size(unpacked, label)
                        references = set(_CELL.findall(tail + chunk))
                        tail = chunk[-_LONGEST_REFERENCE:]
                        rows = max(rows, max((int(row) for _, row in references), default=0))
                        columns = max(columns, max((_column_number(letters) for letters, _ in references), default=0))
                check_extent(rows, columns, label)
    except _BROKEN_ZIP:
        raise _damaged(label) from None
    except zipfile.zlib.error:  # type: ignore[attr-defined]
        raise _damaged(label) from None


def _column_number(letters: bytes) -> int:
    """1 for A, 27 for AA."""
    number = 0
    for letter in letters:
        number = 26 * number + letter - 64
    return number


def _damaged(label: str) -> GraftledgerError:
    return GraftledgerError(
        Fault("this is not an Excel workbook, or it is damaged or cut off.", label, mend="Save it as .xlsx again.")
    )
