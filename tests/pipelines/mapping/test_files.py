"""Files read as a mapping says. Expected values: by hand."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from pipelines.mapping import read_sheets, refuse_identifying
from registry import GraftledgerError

from .conftest import MakeMapping

MAPPING = """
site = "A"
[[source]]
file = "kontroller*.csv"
encoding = "windows-1254"
[source.visit]
visit_key = "K"
session_key = "S"
visited_on = "Tarih"
contact_mode = "Görüşme"
[[source]]
file = "*.xlsx"
sheet = "Legende"
ignore = true
"""


def test_the_mapping_may_say_which_encoding_a_file_has(tmp_path: Path, mapping_of: MakeMapping) -> None:
    path = tmp_path / "Kontroller 2024.csv"
    path.write_bytes("K;S;Tarih;Görüşme\nk;s;2024-01-01;şahsen\n".encode("cp1254"))
    with pytest.raises(GraftledgerError, match="the encoding cannot be told"):
        read_sheets([path])
    (sheet,) = read_sheets([path], mapping_of(MAPPING))
    assert sheet.header == ("K", "S", "Tarih", "Görüşme")
    assert read_sheets([path], encoding="cp1254")[0].frame.row(0)[3] == "şahsen"


def test_sheets_left_out_are_not_looked_at(tmp_path: Path, mapping_of: MakeMapping) -> None:
    pl.DataFrame({"Phone": ["0171 2345678"]}).write_excel(tmp_path / "book.xlsx", worksheet="Legende")
    assert read_sheets([tmp_path / "book.xlsx"], mapping_of(MAPPING)) == []
    with pytest.raises(GraftledgerError, match="telephone") as refusal:
        refuse_identifying(read_sheets([tmp_path / "book.xlsx"]), None)
    assert "0171" not in str(refusal.value)


def test_the_faults_of_all_files_come_at_once(tmp_path: Path) -> None:
    for name in ("a.csv", "b.xlsx"):
        (tmp_path / name).touch()
    with pytest.raises(GraftledgerError) as refusal:
        read_sheets([tmp_path])
    assert [fault.file for fault in refusal.value.faults] == ["a.csv", "b.xlsx"]
