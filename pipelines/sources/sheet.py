"""One sheet of one file, as text: what every format comes down to."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import polars as pl


@dataclass(frozen=True)
class SourceSheet:
    """The rows of a file without sheets, or of one sheet of a workbook.

    file_name: what the file is called in messages.
    sheet: name of the sheet; None where the format has none.
    header: the column names as they stand, white space tidied; they may repeat or be empty.
    frame: one text column (String, null = empty) for each column of the header, under a name that is there once:
        a repeated `Date` is `Date (2)`, an unnamed one `column 7`. Values are trimmed. Rows that hold nothing are
        left out.
    row_numbers: Int64, one a row of the frame. Row 1 is the first row below the header, in every format, and rows
        that hold nothing count.
    has_number_cells: whether the format tells numbers from text, so that a number comes with a decimal point
        whatever the language of the file.
    sha256: of the bytes of the file, in hexadecimal; `read_source` puts it in.
    """

    file_name: str
    sheet: str | None
    header: tuple[str, ...]
    frame: pl.DataFrame
    row_numbers: pl.Series
    has_number_cells: bool
    sha256: str = ""

    @property
    def label(self) -> str:
        """What the sheet is called in messages."""
        return f"{self.file_name}, sheet {self.sheet}" if self.sheet else self.file_name


def tidy_name(name: str | None) -> str:
    """A column name on one line, with single spaces.

    >>> tidy_name(" Duration\\n (min) ")
    'Duration (min)'
    """
    return " ".join((name or "").split())


def unique_names(header: Sequence[str]) -> list[str]:
    """The header, each name once.

    >>> unique_names(["Date", "", "Date"])
    ['Date', 'column 2', 'Date (2)']
    """
    taken = {name for name in header if name}
    seen: set[str] = set()
    names = []
    for position, name in enumerate(header, start=1):
        candidate = name or f"column {position}"
        count = 2
        while candidate in seen or (candidate in taken and candidate != name):
            candidate = f"{name or f'column {position}'} ({count})"
            count += 1
        seen.add(candidate)
        names.append(candidate)
    return names


def clean_values(frame: pl.DataFrame) -> pl.DataFrame:
    """Values trimmed, and what is empty null."""
    trimmed = frame.with_columns(pl.all().str.strip_chars())
    return trimmed.with_columns(pl.when(pl.all() != "").then(pl.all()))


def make_sheet(
    file_name: str,
    sheet: str | None,
    header: Iterable[str | None],
    blocks: Iterable[pl.DataFrame],
    *,
    has_number_cells: bool,
) -> SourceSheet:
    """A sheet from its header and its rows in blocks of text columns, in the order of the header, as `clean_values`.

    A column without a name and without a value is no column.
    """
    names = [tidy_name(name) for name in header]
    columns = [f"c{position}" for position in range(len(names))]
    row_number = "row_number"
    first, kept = 1, []
    for block in blocks:
        rows = block.rename(dict(zip(block.columns, columns, strict=True))).with_columns(
            pl.int_range(first, first + block.height, dtype=pl.Int64).alias(row_number)
        )
        first += block.height
        kept.append(rows.filter(pl.any_horizontal(pl.col(columns).is_not_null())) if columns else rows.clear())
    schema = {**dict.fromkeys(columns, pl.String), row_number: pl.Int64}
    frame = pl.concat(kept) if kept else pl.DataFrame(schema=schema)
    row_numbers = frame[row_number]
    positions = [
        position
        for position, (name, column) in enumerate(zip(names, columns, strict=True))
        if name or frame[column].null_count() < frame.height
    ]
    shown = unique_names(names)
    return SourceSheet(
        file_name=file_name,
        sheet=sheet,
        header=tuple(names[position] for position in positions),
        frame=frame.select(pl.col(columns[position]).alias(shown[position]) for position in positions),
        row_numbers=row_numbers,
        has_number_cells=has_number_cells,
    )
