"""The columns that a workbook of rows held back has beside the site's own, and how they are taken off again.

The site may leave them as they are: their text is for reading and is never taken in. The number of the entry tells
which row held back a row corrects, which its key alone cannot where the key was what was wrong.
"""

from __future__ import annotations

from dataclasses import replace

import polars as pl

from ..sources import SourceSheet

ENTRY = "held_back_entry"
REASON = "held_back_reason"
MEND = "held_back_mend"
WORKBOOK_COLUMNS = (ENTRY, REASON, MEND)

_NUMBER = r"^([0-9]{1,15})(?:\.0)?$"


def is_workbook_sheet(sheet: SourceSheet) -> bool:
    """Whether the sheet says which rows held back its rows correct."""
    return ENTRY in sheet.header


def without_workbook_columns(sheet: SourceSheet) -> tuple[SourceSheet, pl.Series]:
    """The sheet without these columns, and the numbers of the entries that each row names; null where it names none."""
    if not set(WORKBOOK_COLUMNS) & set(sheet.header):
        return sheet, pl.Series([None], dtype=pl.List(pl.Int64)).new_from_index(0, sheet.frame.height)
    kept = [position for position, name in enumerate(sheet.header) if name not in WORKBOOK_COLUMNS]
    numbers = pl.Series([None], dtype=pl.String).new_from_index(0, sheet.frame.height)
    if ENTRY in sheet.frame.columns:
        numbers = sheet.frame[ENTRY]
    claimed = pl.select(
        numbers.str.split(" ").list.eval(pl.element().str.extract(_NUMBER).cast(pl.Int64)).list.drop_nulls()
    ).to_series()
    columns = sheet.frame.columns
    return (
        replace(
            sheet,
            header=tuple(sheet.header[position] for position in kept),
            frame=sheet.frame.select(columns[position] for position in kept),
        ),
        claimed,
    )
