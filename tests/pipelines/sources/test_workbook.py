"""Workbooks. Expected values: by hand, the files written by XlsxWriter."""

from __future__ import annotations

import zipfile
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any

import pytest
import xlsxwriter

from pipelines.sources import read_source
from pipelines.sources.workbook import _column_number
from registry import GraftledgerError

FORMATS = {date: "dd.mm.yyyy", datetime: "dd.mm.yyyy hh:mm", time: "hh:mm", timedelta: "[h]:mm"}


def write(path: Path, sheets: dict[str, list[list[Any]]], first_row: int = 0) -> Path:
    with xlsxwriter.Workbook(path) as book:
        formats = {kind: book.add_format({"num_format": text}) for kind, text in FORMATS.items()}
        for name, rows in sheets.items():
            sheet = book.add_worksheet(name)
            for number, row in enumerate(rows, start=first_row):
                for column, value in enumerate(row):
                    sheet.write(number, column, value, formats.get(type(value)))
    return path


def test_values_become_text(tmp_path: Path) -> None:
    cells = {
        30.0: "30",
        0.1 + 0.2: "0.3",
        64.51600000000001: "64.516",
        1234567890123456: "1234567890123456",
        date(2024, 3, 5): "2024-03-05",
        datetime(2024, 3, 5): "2024-03-05",
        datetime(2024, 3, 5, 10, 30): "2024-03-05 10:30:00",
        time(4, 30): "04:30:00",
        timedelta(hours=4, minutes=30): "04:30:00",
        " text ": "text",
        "007": "007",
        "05.03.2024": "05.03.2024",
    }
    rows = [[*range(len(cells) + 2)], [*cells, True, False]]
    rows[0] = [f"h{name}" for name in rows[0]]
    (sheet,) = read_source(write(tmp_path / "book.xlsx", {"Sheet": rows}))
    assert sheet.frame.row(0) == (*cells.values(), "yes", "no")
    assert sheet.has_number_cells


def test_an_error_cell_is_empty(tmp_path: Path) -> None:
    with xlsxwriter.Workbook(tmp_path / "book.xlsx") as book:
        sheet = book.add_worksheet()
        sheet.write_row(0, 0, ["a", "b"])
        sheet.write_formula(1, 0, "=1/0", None, "#DIV/0!")
        sheet.write_formula(1, 1, "=1+1", None, 2)
    (found,) = read_source(tmp_path / "book.xlsx")
    assert found.frame.rows() == [(None, "2")]


def test_rows_count_from_below_the_header_wherever_it_stands(tmp_path: Path) -> None:
    rows = [["Duration\n(min)", "b"], [1, 2], [], [3, None]]
    (sheet,) = read_source(write(tmp_path / "book.xlsx", {"S": rows}, first_row=4))
    assert sheet.header == ("Duration (min)", "b")
    assert sheet.frame.rows() == [("1", "2"), ("3", None)]
    assert sheet.row_numbers.to_list() == [1, 3]


def test_every_sheet_that_holds_anything_is_read(tmp_path: Path) -> None:
    path = write(tmp_path / "book.xlsx", {"One": [["a"], [1]], "Empty": [], "Header": [["b", "c"]]})
    sheets = read_source(path)
    assert [(sheet.sheet, sheet.frame.height) for sheet in sheets] == [("One", 1), ("Header", 0)]
    assert [sheet.label for sheet in sheets] == ["book.xlsx, sheet One", "book.xlsx, sheet Header"]
    assert sheets[0].sha256 == sheets[1].sha256


@pytest.mark.parametrize("sheets", [{"S": []}, {"S": [["a", "b"]]}])
def test_a_workbook_without_rows_is_refused(tmp_path: Path, sheets: dict[str, list[list[Any]]]) -> None:
    with pytest.raises(GraftledgerError, match="the workbook has no rows"):
        read_source(write(tmp_path / "book.xlsx", sheets))


def test_a_cell_far_away_is_refused_before_it_fills_the_memory(tmp_path: Path) -> None:
    for name, cell, words in (("wide", (0, 16_383), "16384 columns"), ("long", (1_048_575, 500), "1048576 rows")):
        with xlsxwriter.Workbook(tmp_path / f"{name}.xlsx") as book:
            sheet = book.add_worksheet()
            sheet.write(0, 0, "a")
            sheet.write(*cell, "b")
        with pytest.raises(GraftledgerError, match=words):
            read_source(tmp_path / f"{name}.xlsx")


def test_a_zip_bomb_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipelines.sources.limits.MAX_FILE_BYTES", 20 * 2**20)
    path = write(tmp_path / "book.xlsx", {"S": [["a"], [1]]})
    with zipfile.ZipFile(path, "a", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/media/image1.png", bytes(30 * 2**20))
    assert path.stat().st_size < 100_000
    with pytest.raises(GraftledgerError, match="larger than"):
        read_source(path)


def test_a_damaged_workbook_is_refused(tmp_path: Path) -> None:
    path = write(tmp_path / "book.xlsx", {"S": [["a"], [1]]})
    content = path.read_bytes()
    for cut in (10, len(content) // 3, len(content) // 2, len(content) - 30):
        path.write_bytes(content[:cut])
        with pytest.raises(GraftledgerError, match="damaged or cut off"):
            read_source(path)
    path.write_bytes(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600))
    with pytest.raises(GraftledgerError, match="protected by a password"):
        read_source(path)


def test_column_letters() -> None:
    """By hand, from the columns of a spreadsheet: A, Z, AA, XFD (the last one)."""
    assert [_column_number(letters) for letters in (b"A", b"Z", b"AA", b"XFD")] == [1, 26, 27, 16_384]
