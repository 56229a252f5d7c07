"""NDJSON, Parquet, names of files, limits. Expected values: by hand."""

from __future__ import annotations

from datetime import UTC, date, datetime
from decimal import Decimal
from pathlib import Path

import polars as pl
import pytest

from pipelines.sources import SUFFIXES, files_of, labels_of, read_source
from registry import GraftledgerError


def test_ndjson_values_become_text(tmp_path: Path) -> None:
    path = tmp_path / "file.ndjson"
    path.write_text('{"a": 1.50, "b": ["x", 2], " c ": null}\n\n{"d": true, "a": NaN, "b": "ü"}\n', encoding="utf-8")
    (sheet,) = read_source(path)
    assert sheet.header == ("a", "b", "c", "d")
    assert sheet.frame.rows() == [("1.50", "x;2", None, None), (None, "ü", None, "yes")]
    assert sheet.row_numbers.to_list() == [1, 3]


@pytest.mark.parametrize(
    "line", ["[1]", '{"a": {"b": 1}}', '{"a": [[1]]}', "{", "[" * 100_000, '{"a":1,"a ":2}', '"x"', '{"a":"\\ud800"}']
)
def test_ndjson_that_is_not_flat_is_refused_by_row(tmp_path: Path, line: str) -> None:
    path = tmp_path / "file.jsonl"
    path.write_text('{"a": 1}\n' + line + "\n", encoding="utf-8")
    with pytest.raises(GraftledgerError, match="no JSON object of plain values") as refusal:
        read_source(path)
    assert refusal.value.faults[0].row == 2


def test_parquet_values_become_text(tmp_path: Path) -> None:
    path = tmp_path / "file.parquet"
    pl.DataFrame(
        {
            "whole": [30, None],
            "float": [30.0, float("nan")],
            "decimal": [Decimal("7.50"), Decimal("100.00")],
            "flag": [True, False],
            "day": [date(2024, 3, 5), None],
            "time": [datetime(2024, 3, 5), datetime(2024, 3, 5, 10, 30)],
            "zoned": pl.Series([datetime(2024, 3, 5, tzinfo=UTC)] * 2, dtype=pl.Datetime("us", "UTC")),
            "set": [["a", "b"], []],
            "text": [" x ", ""],
            "category": pl.Series(["u", "v"], dtype=pl.Categorical),
        }
    ).write_parquet(path)
    (sheet,) = read_source(path)
    assert sheet.frame.row(0) == ("30", "30", "7.5", "yes", "2024-03-05", "2024-03-05", "2024-03-05", "a;b", "x", "u")
    assert sheet.frame.row(1)[:5] == (None, None, "100", "no", None)
    assert str(sheet.frame["time"][1]).startswith("2024-03-05 10:30:00")
    assert sheet.frame.row(1)[7:] == (None, None, "v")
    assert sheet.has_number_cells


def test_parquet_of_other_types_or_damaged_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "file.parquet"
    pl.DataFrame({"a": [{"b": 1}], "c": [b"x"], "d": ["y"]}).write_parquet(path)
    with pytest.raises(GraftledgerError, match=r"column 1.*\n.*column 2"):
        read_source(path)
    pl.DataFrame({"a": ["x" * 100] * 1000}).write_parquet(path)
    content = path.read_bytes()
    for damaged in (content[:-20], content[:4], b"PAR1" + bytes(100) + b"PAR1"):
        path.write_bytes(damaged)
        with pytest.raises(GraftledgerError, match="damaged or cut off"):
            read_source(path)


def test_parquet_with_a_column_name_that_is_not_utf_8_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "names.parquet"
    pl.DataFrame({"technique": ["strip"]}).write_parquet(path)
    path.write_bytes(path.read_bytes().replace(b"technique", b"techni\xb7ue"))
    with pytest.raises(GraftledgerError, match="not a Parquet file, or it is damaged"):
        read_source(path)


def test_limits_hold_for_every_format(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    frame = pl.DataFrame({f"c{column}": ["x"] * 50 for column in range(20)})
    frame.write_csv(tmp_path / "file.csv")
    frame.write_csv(tmp_path / "file.tsv", separator="\t")
    frame.write_parquet(tmp_path / "file.parquet")
    frame.write_ndjson(tmp_path / "file.ndjson")
    frame.write_excel(tmp_path / "file.xlsx")
    for name, low in (("MAX_ROWS", 40), ("MAX_COLUMNS", 10), ("MAX_CELLS", 900), ("MAX_FILE_BYTES", 100)):
        with monkeypatch.context() as patch:
            patch.setattr(f"pipelines.sources.limits.{name}", low)
            for path in sorted(tmp_path.iterdir()):
                with pytest.raises(GraftledgerError, match="limit"):
                    read_source(path)
    for path in sorted(tmp_path.iterdir()):
        (sheet,) = read_source(path)
        assert sheet.frame.equals(frame)


def test_a_file_under_the_wrong_ending_is_named_for_what_it_is(tmp_path: Path) -> None:
    pl.DataFrame({"a": ["x"]}).write_excel(tmp_path / "book.csv")
    with pytest.raises(GraftledgerError, match=r"an Excel workbook or another zip file, not a \.csv file"):
        read_source(tmp_path / "book.csv")
    (tmp_path / "text.xlsx").write_text("a,b\n1,2\n")
    with pytest.raises(GraftledgerError, match="not an Excel workbook"):
        read_source(tmp_path / "text.xlsx")
    (tmp_path / "file.doc").write_text("x")
    with pytest.raises(GraftledgerError, match="ends in none of"):
        read_source(tmp_path / "file.doc")


def test_an_empty_file_and_a_missing_one_are_refused(tmp_path: Path) -> None:
    for suffix in SUFFIXES:
        path = tmp_path / f"file{suffix}"
        path.touch()
        with pytest.raises(GraftledgerError, match="the file is empty"):
            read_source(path)
        path.unlink()
        with pytest.raises(GraftledgerError, match="cannot be read"):
            read_source(path)


def test_a_folder_stands_for_its_files(tmp_path: Path) -> None:
    for name in ("b.csv", "a.XLSX", "c.ndjson", "~lock.xlsx", ".hidden.csv", "notes.pdf"):
        (tmp_path / name).touch()
    files = files_of([tmp_path, tmp_path / "b.csv"])
    assert labels_of(files) == ["a.XLSX", "b.csv", "c.ndjson"]
    with pytest.raises(GraftledgerError) as refusal:
        files_of([tmp_path / "missing.csv", tmp_path / "notes.pdf"])
    assert len(refusal.value.faults) == 2
    with pytest.raises(GraftledgerError, match="No file was named"):
        files_of([])
