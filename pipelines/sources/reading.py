"""The one seam between file formats and the rest: whatever the format, sheets of text come out."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

from registry import Fault, GraftledgerError

from . import delimited, ndjson, parquet, workbook
from .encodings import hash_of
from .limits import check_file_size
from .sheet import SourceSheet

_FORMATS: dict[str, Callable[[Path, str, str | None], list[SourceSheet]]] = {
    ".csv": delimited.read,
    ".tsv": delimited.read,
    ".txt": delimited.read,
    ".xlsx": workbook.read,
    ".parquet": parquet.read,
    ".ndjson": ndjson.read,
    ".jsonl": ndjson.read,
}
SUFFIXES = tuple(_FORMATS)

_FIRST_BYTES = 16
_SIGNATURES = {
    b"PK\x03\x04": (".xlsx", "an Excel workbook or another zip file"),
    b"PAR1": (".parquet", "a Parquet file"),
    b"\xd0\xcf\x11\xe0": (".xlsx", "an old or password-protected Excel workbook"),
    b"%PDF": ("", "a PDF file"),
    b"{\\rt": ("", "a text document"),
}


def read_source(path: Path, label: str | None = None, encoding: str | None = None) -> list[SourceSheet]:
    """The sheets of a file as text. One format has one sheet, except workbooks.

    label: what the file is called in messages; its name if left out.
    encoding: of a text file, where it is known; told from the bytes if left out.

    Raises: GraftledgerError where the file is empty, not of its format, damaged, too large or has no rows.
    """
    label = label or path.name
    try:
        check_type(path, label)
        with ThreadPoolExecutor(1) as beside:  # the hash takes as long as a tenth of the reading
            sha256 = beside.submit(hash_of, path)
            sheets = _FORMATS[path.suffix.lower()](path, label, encoding)
            return [replace(sheet, sha256=sha256.result()) for sheet in sheets]
    except OSError as error:
        why = (error.strerror or "error").lower()
        raise GraftledgerError(
            Fault(f"the file cannot be read ({why}).", label, mend="Check the file and its permissions.")
        ) from None


def check_type(path: Path, label: str) -> None:
    """Refuse a file that by its name, its size or its first bytes cannot be read.

    Raises: GraftledgerError; OSError where it cannot be opened.
    """
    suffix = path.suffix.lower()
    if suffix not in _FORMATS:
        raise GraftledgerError(
            Fault(f"the file ends in none of {', '.join(SUFFIXES)}.", label, mend="Save it as CSV in UTF-8.")
        )
    check_file_size(path.stat().st_size, label)
    with path.open("rb") as file:
        first = file.read(_FIRST_BYTES)
    if not first:
        raise GraftledgerError(Fault("the file is empty.", label, mend="Send it again, with its header and rows."))
    for signature, (right_suffix, what) in _SIGNATURES.items():
        if first.startswith(signature) and suffix != right_suffix:
            mend = f"Let its name end in {right_suffix}." if right_suffix else "Export the table as CSV or .xlsx."
            raise GraftledgerError(Fault(f"this is {what}, not a {suffix} file.", label, mend=mend))
