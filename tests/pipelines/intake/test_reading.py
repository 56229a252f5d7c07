"""Files as text: what is read, with which row numbers, and which faults of a file stop it."""

from __future__ import annotations

import sys
from datetime import date, datetime
from decimal import Decimal
from pathlib import Path

import polars as pl
import pyarrow as pa
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from pyarrow import parquet

from pipelines.intake.reading import open_source, text_batches
from registry import GraftledgerError

Rows = list[tuple[int, dict[str, str | None]]]


def read(path: Path) -> Rows:
    """Row numbers and values by column name."""
    source = open_source(path, path.name)
    return [
        (values.pop("row_number"), dict(zip(source.columns, values.values(), strict=True)))
        for batch in text_batches(source)
        for values in batch.to_dicts()
    ]


def read_bytes(folder: Path, content: bytes, name: str = "file.csv") -> Rows:
    path = folder / name
    path.write_bytes(content)
    return read(path)


def refusal(folder: Path, content: bytes, name: str = "file.csv") -> str:
    with pytest.raises(GraftledgerError) as caught:
        read_bytes(folder, content, name)
    return str(caught.value)


@pytest.mark.parametrize(
    "content",
    [
        b"a,b\n1,x\n2,\n",
        b"a,b\r\n1,x\r\n2,\r\n",
        b"a,b\r1,x\r2,\r",
        b"a,b\n1,x\n2,",
        b"\xef\xbb\xbfa,b\n1,x\n2,\n",
        b' a ,"b"\n 1 ,"x"\n"2",""\n',
        b"a,b\n1,\tx\xc2\xa0\n2,   \n",
    ],
    ids=["plain", "crlf", "cr", "no last line end", "byte order mark", "quotes", "spaces"],
)
def test_one_content_in_many_spellings(content: bytes, tmp_path: Path) -> None:
    """By hand."""
    assert read_bytes(tmp_path, content) == [(1, {"a": "1", "b": "x"}), (2, {"a": "2", "b": None})]


def test_commas_and_quotes_inside_quotes(tmp_path: Path) -> None:
    """By hand, after the rules of RFC 4180, section 2, points 6 and 7."""
    assert read_bytes(tmp_path, b'a,b\n"x,y","say ""yes"""\n') == [(1, {"a": "x,y", "b": 'say "yes"'})]


def test_blank_rows_are_left_out_and_keep_their_number(tmp_path: Path) -> None:
    """By hand."""
    assert [number for number, _ in read_bytes(tmp_path, b"a,b\n1,1\n\n,\n ,\n5,5\n\n\n")] == [1, 5]


def test_row_numbers_go_on_over_blocks(tmp_path: Path) -> None:
    """By hand: 900,000 lines of 12 bytes are more than one block of the reader."""
    lines = b"".join(b"row,%07d\n" % number for number in range(1, 900_001))
    rows = open_source(_written(tmp_path, b"a,b\n" + lines), "file.csv")
    frame = pl.concat(list(text_batches(rows)))
    assert frame.height == 900_000
    assert frame.select((pl.col("row_number") == pl.col("c1").cast(pl.Int64)).all()).item()


def _written(folder: Path, content: bytes) -> Path:
    path = folder / "file.csv"
    path.write_bytes(content)
    return path


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "file.csv: the file is empty"),
        (b"a,b\n", "file.csv: the file has no rows"),
        (b"a,b", "file.csv: the file has no rows"),
        (b"a,b\n\n,\n", "file.csv: the file has no rows"),
        (b"\n1,2\n", "file.csv: the first line is empty"),
        (b"a;b\n1;2\n", "separated by semicolons"),
        (b"a\tb\n1\t2\n", "separated by tabs"),
        ("a,b\n1,ü\n".encode("utf-16"), "UTF-16"),
        (b"a,b\n1,2\n1,\xfc\n", "file.csv, row 2: a character is not written in UTF-8"),
        (b"a,b\n1,\x00\n", "not a text file"),
        (b"PK\x03\x04 and so on", "not a text file"),
        (b"PAR1 and so on", "not a text file"),
        (b"a" * (10 * 2**20), "not a text file"),
        (b'a,b\n1,2\n"3,4\n', "file.csv, row 2: a double quote is misplaced or never closed"),
        (b'a,b\n1,"2\n3",4\n', "file.csv, row 1: a double quote"),
        (b'a,b\n1,"2"3\n', "file.csv, row 1: a double quote"),
        (b'a,b\n1,2"3\n', "file.csv, row 1: a double quote"),
        (b"a,b\n1,2\n\n3\n", "file.csv, row 3: the row has 1 fields, the header 2"),
        (b"a,b\n1,2,3\n", "file.csv, row 1: the row has 3 fields, the header 2"),
        (b"a,b\n" + b"1\n" * 9, "4 further rows have the wrong number of fields"),
    ],
)
def test_faults_of_a_csv_file(content: bytes, words: str, tmp_path: Path) -> None:
    assert words in refusal(tmp_path, content)


def test_a_ragged_row_is_named_after_many_blocks(tmp_path: Path) -> None:
    """By hand: the 900,001st row below the header."""
    lines = b"".join(b"row,%07d\n" % number for number in range(900_000))
    assert "row 900001:" in refusal(tmp_path, b"a,b\n" + lines + b"row\n")


@pytest.mark.skipif(sys.platform == "win32", reason="permissions work otherwise there")
def test_a_file_that_cannot_be_opened(tmp_path: Path) -> None:
    path = tmp_path / "file.csv"
    path.mkdir()  # reading a folder fails for every user, root included
    with pytest.raises(GraftledgerError, match=r"file\.csv: the file cannot be read"):
        open_source(path, path.name)


def test_parquet_gives_the_text_a_csv_file_would_hold(tmp_path: Path) -> None:
    """By hand."""
    table = pa.table(
        {
            "text": [" a ", "", None],
            "truth": [True, False, None],
            "whole": [1, 20, None],
            "number": [1.0, 2.5, float("nan")],
            "decimal": pa.array([Decimal("3.00"), Decimal("100.50"), None]),
            "day": [date(2020, 2, 29), None, None],
            "midnight": pa.array([datetime(2020, 2, 29), None, None], pa.timestamp("ns", tz="UTC")),
            "moment": pa.array([datetime(2020, 2, 29, 7), None, None], pa.timestamp("us")),
            "codes": [["b", "a"], [], None],
            "category": pa.array(["x", "y", None]).dictionary_encode(),
            "nothing": pa.nulls(3),
        }
    )
    path = tmp_path / "file.parquet"
    parquet.write_table(table, path)
    rows = read(path)
    assert [number for number, _ in rows] == [1, 2]
    assert rows[0][1] == {
        "text": "a",
        "truth": "yes",
        "whole": "1",
        "number": "1",
        "decimal": "3",
        "day": "2020-02-29",
        "midnight": "2020-02-29",
        "moment": "2020-02-29 07:00:00.000000",
        "codes": "b;a",
        "category": "x",
        "nothing": None,
    }
    assert {name: value for name, value in rows[1][1].items() if value is not None} == {
        "truth": "no",
        "whole": "20",
        "number": "2.5",
        "decimal": "100.5",
        "category": "y",
    }


def test_faults_of_a_parquet_file(tmp_path: Path) -> None:
    path = tmp_path / "sound.parquet"
    parquet.write_table(pa.table({"a": [1, 2], "b": ["x", "y"]}), path)
    sound = path.read_bytes()
    assert "the file is empty" in refusal(tmp_path, b"", "file.parquet")
    assert "damaged or cut off" in refusal(tmp_path, sound[:-7], "file.parquet")
    assert "not a Parquet file" in refusal(tmp_path, b"a,b\n1,2\n", "file.parquet")
    parquet.write_table(pa.table({"a": pa.array([], pa.string())}), path)
    assert "no rows" in refusal(tmp_path, path.read_bytes(), "file.parquet")
    parquet.write_table(pa.table({"a": [b"bytes"], "b": [{"c": 1}]}), path)
    words = refusal(tmp_path, path.read_bytes(), "file.parquet")
    assert "column 1" in words
    assert "column 2" in words


SOUND_CSV = b'visit_key,visited_on,codes\nvisit-0000000001,2020-01-01,"a;b"\nvisit-0000000002,2020-01-02,\n'


@st.composite
def mangled(draw: st.DrawFn, sound: bytes) -> bytes:
    """The bytes with a few stretches cut out, repeated, swapped or overwritten."""
    content = bytearray(sound)
    for _ in range(draw(st.integers(1, 4))):
        start = draw(st.integers(0, len(content)))
        end = draw(st.integers(start, min(len(content), start + 12)))
        content[start:end] = draw(
            st.one_of(
                st.just(b""),
                st.binary(max_size=6),
                st.sampled_from([b'"', b",", b"\n", b"\r", b'""', b"\x00", b"\xff", "é".encode(), b",,\n"]),
                st.just(bytes(content[start:end]) * 2),
            )
        )
    return bytes(content)


@given(mangled(SOUND_CSV))
@example(b'"')
@example(b"\r")
@settings(max_examples=300, deadline=None)
def test_a_mangled_csv_file_is_read_or_refused(tmp_path_factory: pytest.TempPathFactory, content: bytes) -> None:
    check_read_or_refused(tmp_path_factory.getbasetemp() / "mangled.csv", content)


@pytest.fixture(scope="module")
def sound_parquet(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    path = tmp_path_factory.mktemp("parquet") / "sound.parquet"
    parquet.write_table(pa.table({"a": ["x", None, "y"] * 20, "b": list(range(60)), "c": [1.5] * 60}), path)
    return path.read_bytes()


@given(st.data())
@settings(max_examples=150, deadline=None)
def test_a_mangled_parquet_file_is_read_or_refused(
    tmp_path_factory: pytest.TempPathFactory, sound_parquet: bytes, data: st.DataObject
) -> None:
    check_read_or_refused(tmp_path_factory.getbasetemp() / "mangled.parquet", data.draw(mangled(sound_parquet)))


def check_read_or_refused(path: Path, content: bytes) -> None:
    path.write_bytes(content)
    refused_for: list[str | None] = []
    rows: Rows = []
    try:
        rows = read(path)
    except GraftledgerError as refusal:
        refused_for = [fault.file for fault in refusal.faults]
    assert set(refused_for) <= {path.name}
    assert bool(refused_for) != bool(rows)
    numbers = [number for number, _ in rows]
    assert numbers == sorted(set(numbers))
    assert all(number >= 1 for number in numbers)
    for _, values in rows:
        texts = [value for value in values.values() if value is not None]
        assert texts
        assert all(text and text == text.strip(" \t\r\n") for text in texts)
