"""Every table of an audit as a workbook: one sheet a section. No text of it runs as a formula or becomes a link."""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from ..layout import Cell, Row, Section, Table

_NOT_IN_A_NAME = re.compile(r"[\[\]:*?/\\']")
_COUNT, _PERCENT = re.compile(r"-?\d{1,3}(?:,\d{3})*|-?\d+"), re.compile(r"\d+(?:\.\d+)?%")
_MADE = datetime(2000, 1, 1)
"""In the place of the time of writing, so that the same audit gives the same bytes."""


def workbook(sections: Sequence[Section], about: Sequence[tuple[str, str]]) -> bytes:
    """The workbook.

    sections: those without a table are left out. about: what the audit rests on, for the first sheet.
    Counts and percentages become numbers, with the decimals that the page has; everything else stays text.
    """
    import xlsxwriter  # type: ignore[import-untyped]

    target = io.BytesIO()
    options = {
        "in_memory": True,
        "strings_to_formulas": False,
        "strings_to_numbers": False,
        "strings_to_urls": False,
    }
    with xlsxwriter.Workbook(target, options) as book:
        book.set_properties({"created": _MADE})
        formats = {
            "bold": book.add_format({"bold": True}),
            "head": book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"}),
            "count": book.add_format({"num_format": "#,##0"}),
            "quiet": book.add_format({"font_color": "#59626a"}),
            **{
                f"percent{places}": book.add_format({"num_format": "0%" if not places else f"0.{'0' * places}%"})
                for places in range(4)
            },
        }
        sheet = book.add_worksheet("About")
        sheet.set_column(0, 1, 34)
        for at, (name, text) in enumerate(about):
            sheet.write_string(at, 0, name, formats["bold"])
            sheet.write_string(at, 1, text)
        used = {"about"}
        for section in sections:
            tables = [table for table in section.tables if table.rows]
            if tables:
                _write_section(book.add_worksheet(_sheet_name(section, used)), tables, formats)
    return target.getvalue()


def _sheet_name(section: Section, used: set[str]) -> str:
    """At most 31 letters, none of those that a sheet may not have, and each once."""
    plain = _NOT_IN_A_NAME.sub("", section.heading.removeprefix("Can we trust it? "))[:31].strip()
    name = plain if plain.casefold() not in used else section.id[:31]
    used.add(name.casefold())
    return name


def _write_section(sheet: Any, tables: Sequence[Table], formats: dict[str, Any]) -> None:
    sheet.set_column(0, 0, 38)
    sheet.set_column(1, 40, 16)
    at = 0
    for table in tables:
        sheet.write_string(at, 0, table.caption, formats["bold"])
        at += 1
        extra = [max((len(row.cells[column].more) for row in table.rows if row.cells), default=0)
                 for column in range(len(table.heads) - 1)]  # fmt: skip
        heads = [table.heads[0]]
        if any(row.more for row in table.rows):
            heads.append("")
        for head, lines in zip(table.heads[1:], extra, strict=True):
            heads += [head] + [""] * lines
        for column, head in enumerate(heads):
            sheet.write_string(at, column, head, formats["head"])
        at += 1
        for row in table.rows:
            _write_row(sheet, at, row, extra, any(one.more for one in table.rows), formats)
            at += 1
        for note in table.notes:
            sheet.write_string(at, 0, note, formats["quiet"])
            at += 1
        at += 1


def _write_row(sheet: Any, at: int, row: Row, extra: Sequence[int], has_more: bool, formats: dict[str, Any]) -> None:
    sheet.write_string(at, 0, row.head, *(() if row.cells else (formats["bold"],)))
    column = 1
    if has_more:
        sheet.write_string(at, column, row.more, formats["quiet"])
        column += 1
    for cell, lines in zip(row.cells, extra, strict=False):
        _write_cell(sheet, at, column, cell, formats)
        for place, line in enumerate(cell.more, start=1):
            sheet.write_string(at, column + place, line, formats["quiet"])
        column += 1 + lines


def _write_cell(sheet: Any, at: int, column: int, cell: Cell, formats: dict[str, Any]) -> None:
    if _COUNT.fullmatch(cell.text):
        sheet.write_number(at, column, int(cell.text.replace(",", "")), formats["count"])
    elif _PERCENT.fullmatch(cell.text):
        places = len(cell.text.removesuffix("%").partition(".")[2])
        share = round(float(cell.text.removesuffix("%")) / 100, places + 2)
        sheet.write_number(at, column, share, formats[f"percent{places}"])
    else:
        sheet.write_string(at, column, cell.text)
