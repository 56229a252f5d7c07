"""Sheets of a workbook of rows held back, given back to the source rules of a mapping that first read their rows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import polars as pl

from ..sources import SourceSheet


@dataclass(frozen=True)
class Origin:
    """Where the row of an entry first came from. mapped: whether a mapping read it."""

    file_name: str
    sheet: str | None
    mapped: bool


@dataclass(frozen=True)
class Part:
    """Rows of one sheet with one origin.

    sheet: as the mapping is to see it, under the name that its rows first came under.
    shown: the file and sheet that the user gave.
    claimed: numbers of the entries that each row names.
    origin: None for rows that name no entry in a sheet where none does.
    """

    sheet: SourceSheet
    shown: SourceSheet
    claimed: pl.Series
    origin: Origin | None


def parts_of(sheet: SourceSheet, claimed: pl.Series, origins: Mapping[int, Origin]) -> list[Part]:
    """The sheet by origin of its rows. A row that names no entry goes with the first that does."""
    numbers = [entries or [] for entries in claimed.to_list()]
    known = [next((origins[entry] for entry in entries if entry in origins), None) for entries in numbers]
    distinct = list(dict.fromkeys(origin for origin in known if origin is not None))
    if not distinct:
        return [Part(sheet, sheet, claimed, None)]
    of_row = pl.Series([distinct.index(origin) if origin is not None else 0 for origin in known], dtype=pl.Int64)
    return [_part(sheet, claimed, of_row == number, origin) for number, origin in enumerate(distinct)]


def _part(sheet: SourceSheet, claimed: pl.Series, chosen: pl.Series, origin: Origin) -> Part:
    rows = replace(sheet, frame=sheet.frame.filter(chosen), row_numbers=sheet.row_numbers.filter(chosen))
    named = replace(rows, file_name=origin.file_name, sheet=origin.sheet) if origin.mapped else rows
    return Part(named, rows, claimed.filter(chosen), origin)


def claimed_entries(sheets: Sequence[pl.Series]) -> list[int]:
    """All entries that rows of these sheets name, once."""
    return sorted({entry for claimed in sheets for entry in claimed.explode().drop_nulls().to_list()})
