"""How large a file may be. Beyond these limits it is refused before it can fill the memory."""

from __future__ import annotations

from registry import Fault, GraftledgerError

MAX_FILE_BYTES = 2**30
"""Of any file, and of a workbook when unpacked: 1 GiB."""
MAX_ROWS = 5_000_000
MAX_COLUMNS = 1_000
MAX_CELLS = 120_000_000
"""Rows times columns of one sheet, empty cells between filled ones included."""
MAX_TEXT_BYTES = 6 * 2**30
"""Of all values of one file."""
MAX_RECORD_CHARACTERS = 2**20
"""Of one row of a text file."""

_SPLIT = "Split it into smaller files, by period for example, and send those."


def check_file_size(size: int, label: str) -> None:
    """Raises: GraftledgerError where a file, or what a workbook unpacks to, is larger than allowed."""
    if size > MAX_FILE_BYTES:
        raise GraftledgerError(
            Fault(f"larger than {MAX_FILE_BYTES // 2**30} GiB, which is the limit.", label, mend=_SPLIT)
        )


def check_extent(rows: int, columns: int, label: str) -> None:
    """Raises: GraftledgerError where there are more rows, columns or cells than allowed."""
    if columns > MAX_COLUMNS:
        raise GraftledgerError(
            Fault(
                f"{columns} columns; the limit is {MAX_COLUMNS}.",
                label,
                mend="A cell far to the right may hold something by accident: delete what does not belong.",
            )
        )
    if rows > MAX_ROWS or rows * columns > MAX_CELLS:
        raise GraftledgerError(
            Fault(
                f"{rows} rows and {columns} columns; the limits are {MAX_ROWS} rows and {MAX_CELLS} cells.",
                label,
                mend=_SPLIT,
            )
        )


def check_text_bytes(size: int, label: str) -> None:
    """Raises: GraftledgerError where the values of a file take more memory than allowed."""
    if size > MAX_TEXT_BYTES:
        raise GraftledgerError(
            Fault(f"its values take more than {MAX_TEXT_BYTES // 2**30} GiB, which is the limit.", label, mend=_SPLIT)
        )
