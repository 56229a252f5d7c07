"""Text files: delimiters, quotes, blank lines, ragged rows. Expected values: by hand, or Python's own csv writer."""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines.sources import SourceSheet, read_source
from registry import GraftledgerError


def read_text(folder: Path, text: str, name: str = "file.csv") -> SourceSheet:
    path = folder / name
    path.write_bytes(text.encode())
    (sheet,) = read_source(path)
    return sheet


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_each_delimiter_is_found(tmp_path: Path, delimiter: str) -> None:
    sheet = read_text(tmp_path, f"a{delimiter}b\n1{delimiter}2\n")
    assert sheet.header == ("a", "b")
    assert sheet.frame.rows() == [("1", "2")]
    assert not sheet.has_number_cells


def test_decimal_commas_do_not_pass_for_delimiters(tmp_path: Path) -> None:
    assert read_text(tmp_path, "a;b\n1,5;2,5\n").frame.rows() == [("1,5", "2,5")]


def test_a_first_line_may_declare_the_delimiter(tmp_path: Path) -> None:
    sheet = read_text(tmp_path, "sep=;\na;b,c\n1;2,3\n")
    assert sheet.header == ("a", "b,c")
    assert sheet.row_numbers.to_list() == [1]


def test_two_delimiters_that_fit_are_refused(tmp_path: Path) -> None:
    with pytest.raises(GraftledgerError, match="commas or semicolons: both fit"):
        read_text(tmp_path, "a,b;c\n1,2;3\n")


def test_rows_that_hold_nothing_keep_their_number(tmp_path: Path) -> None:
    sheet = read_text(tmp_path, "\n\na;b\n1;2\n\n ; \n3;4\n")
    assert sheet.frame.rows() == [("1", "2"), ("3", "4")]
    assert sheet.row_numbers.to_list() == [1, 4]


def test_values_are_trimmed_and_empty_is_null(tmp_path: Path) -> None:
    assert read_text(tmp_path, 'a,b,c\n x ,"",\u00a0y\n').frame.rows() == [("x", None, "y")]


def test_a_line_end_inside_quotes_counts_as_a_space(tmp_path: Path) -> None:
    sheet = read_text(tmp_path, '"Duration\n(min)";b\n"one\n\ntwo";2\n3;4\n')
    assert sheet.header == ("Duration (min)", "b")
    assert sheet.frame.rows() == [("one  two", "2"), ("3", "4")]
    assert sheet.row_numbers.to_list() == [1, 2]


def test_a_column_without_name_and_value_is_no_column(tmp_path: Path) -> None:
    sheet = read_text(tmp_path, "a,,b,\n1,,2,\n3,,4,\n")
    assert sheet.header == ("a", "b")
    assert sheet.frame.rows() == [("1", "2"), ("3", "4")]


def test_columns_get_names_that_are_there_once(tmp_path: Path) -> None:
    sheet = read_text(tmp_path, "a,,a,a (2)\n1,2,3,4\n")
    assert sheet.header == ("a", "", "a", "a (2)")
    assert sheet.frame.columns == ["a", "column 2", "a (3)", "a (2)"]


@pytest.mark.parametrize(
    ("text", "row"),
    [
        ('a,b\n1,"2\n', 1),
        ('a,b\n1,2\n"3,4\n5,"6"\n', 2),
        ('a,b\n1,2" x\n', 1),
        ('a,b\n"1" x,2\n', 1),
        ('a,"b\n1,2\n', None),
    ],
)
def test_a_quote_that_is_never_closed_is_refused(tmp_path: Path, text: str, row: int | None) -> None:
    with pytest.raises(GraftledgerError, match="misplaced or never closed") as refusal:
        read_text(tmp_path, text)
    assert refusal.value.faults[0].row == row


def test_an_open_quote_is_refused_before_it_swallows_the_file(tmp_path: Path) -> None:
    with pytest.raises(GraftledgerError, match="longer than a million characters"):
        read_text(tmp_path, 'a,b\n"' + "1,2\n" * 2_000_000)


def test_every_ragged_row_is_counted_and_the_first_are_named(tmp_path: Path) -> None:
    with pytest.raises(GraftledgerError) as refusal:
        read_text(tmp_path, "a;b\n1;2\n" + "1\n1;2;3\n" * 5)
    faults = refusal.value.faults
    assert [fault.row for fault in faults] == [2, 3, 4, 5, 6, None]
    assert faults[0].what == "the row has 1 fields, the header 2."
    assert faults[-1].what == "5 further rows have the wrong number of fields."


@pytest.mark.parametrize("text", ["\n\n", ";;\n", " \n\t\n"])
def test_a_file_without_anything_is_refused(tmp_path: Path, text: str) -> None:
    with pytest.raises(GraftledgerError, match="the file is empty"):
        read_text(tmp_path, text)


def test_a_header_alone_is_refused(tmp_path: Path) -> None:
    with pytest.raises(GraftledgerError, match="the file has no rows"):
        read_text(tmp_path, "a,b\n\n")


def test_blocks_join_without_a_seam(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    text = 'a;ö\r\n"1\r\n2";"x;y"\r\n\r\n3;"""q"""\r\n4;5'
    whole = read_text(tmp_path, text)
    for size in (1, 2, 3, 5, 7):
        monkeypatch.setattr("pipelines.sources.encodings.BLOCK_BYTES", size)
        blocks = read_text(tmp_path, text)
        assert blocks.frame.equals(whole.frame)
        assert blocks.row_numbers.equals(whole.row_numbers)
    assert whole.frame.rows() == [("1 2", "x;y"), ("3", '"q"'), ("4", "5")]
    assert whole.row_numbers.to_list() == [1, 3, 4]


# Python alone takes the four separator controls for white space.
CELL = st.text(st.characters(codec="utf-8", exclude_characters="\0\x1c\x1d\x1e\x1f"), max_size=12)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(
    rows=st.integers(2, 4).flatmap(lambda width: st.lists(st.lists(CELL, min_size=width, max_size=width), min_size=1)),
    delimiter=st.sampled_from(",;\t|"),
)
def test_what_a_csv_writer_writes_is_read_back(tmp_path: Path, rows: list[list[str]], delimiter: str) -> None:
    header = [f"h{position}" for position in range(len(rows[0]))]
    rows.append(["end"] * len(header))
    buffer = io.StringIO()
    csv.writer(buffer, delimiter=delimiter, quoting=csv.QUOTE_ALL, lineterminator="\n").writerows([header, *rows])
    sheet = read_text(tmp_path, buffer.getvalue())
    expected = [
        (number, tuple(" ".join(re.split("\r\n|\r|\n", value)).strip() or None for value in row))
        for number, row in enumerate(rows, start=1)
    ]
    assert [*zip(sheet.row_numbers.to_list(), sheet.frame.rows(), strict=True)] == [
        (number, row) for number, row in expected if any(row)
    ]
