"""What a browser may send, and what is refused or made harmless. Bodies are written out, as a hostile one would be."""

from __future__ import annotations

import asyncio
import io
import os
import struct
import zipfile
from collections.abc import AsyncIterator, Iterable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from registry.errors import GraftledgerError
from reports.web import uploads
from reports.web.uploads import Received, plain_name, receive

BOUNDARY = "b0undary"
CONTENT_TYPE = f"multipart/form-data; boundary={BOUNDARY}"


def part(content: bytes, *, filename: str | None = None, name: str = "files") -> bytes:
    file = f'; filename="{filename}"' if filename is not None else ""
    return f'--{BOUNDARY}\r\nContent-Disposition: form-data; name="{name}"{file}\r\n\r\n'.encode() + content + b"\r\n"


def body(*parts: bytes) -> bytes:
    return b"".join(parts) + f"--{BOUNDARY}--\r\n".encode()


def sent(content: bytes | Iterable[bytes], folder: Path, content_type: str = CONTENT_TYPE, piece: int = 7) -> Received:
    """Send a body in small pieces, so that every boundary is cut somewhere."""

    async def chunks() -> AsyncIterator[bytes]:
        if isinstance(content, bytes):
            for start in range(0, len(content), piece):
                yield content[start : start + piece]
        else:
            for each in content:
                yield each

    return asyncio.run(receive(chunks(), content_type, folder))


def refusal(content: bytes | Iterable[bytes], folder: Path, content_type: str = CONTENT_TYPE) -> str:
    with pytest.raises(GraftledgerError) as refused:
        sent(content, folder, content_type)
    assert not folder.exists()
    return str(refused.value)


def test_files_and_answers_arrive_whole(tmp_path: Path) -> None:
    content = b"patient_key\r\n--b0undar\r\n\x00\xff" * 50
    got = sent(body(part(b"A", name="site"), part(content, filename="patient.csv")), tmp_path / "d")
    assert got.fields == {"site": "A"}
    assert [path.name for path in got.files] == ["patient.csv"]
    assert got.files[0].read_bytes() == content
    if os.name == "posix":
        assert (tmp_path / "d").stat().st_mode & 0o077 == 0
        assert got.files[0].stat().st_mode & 0o077 == 0


@pytest.mark.parametrize(
    "name",
    [
        "../../../outside.csv",
        "..\\\\..\\\\outside.csv",
        "/outside.csv",
        "C:\\\\outside.csv",
        "a/../../outside.csv",
        "....//outside.csv",
        "outside.csv\x00.csv",
        "%2e%2e%2foutside.csv",
        ".outside.csv",
        "=cmd|' /C calc'!A0.csv",
        "<img src=x onerror=alert(1)>.csv",
        "\u202evsc.csv",
        "con.csv",
    ],
)
def test_a_name_is_never_a_path(tmp_path: Path, name: str) -> None:
    inside = tmp_path / "a" / "b" / "d"
    got = sent(body(part(b"x\n1\n", filename=name)), inside)
    assert [path.parent for path in got.files] == [inside]
    assert [path for path in tmp_path.rglob("*") if path.is_file()] == list(got.files)
    shown = got.files[0].name
    assert not set(shown) & set("/\\<>'\"=|&\x00\u202e%")
    assert not shown.startswith(".")


@given(st.text(max_size=300))
def test_any_name_becomes_one_plain_name(name: str) -> None:
    found = plain_name(name)
    assert found
    assert len(found) <= 100
    assert all(sign.isalnum() or sign in " ._-()" for sign in found)
    assert Path(found).name == found
    assert found not in (".", "..")
    assert plain_name(found) == found


def test_files_of_one_name_stand_beside_each_other(tmp_path: Path) -> None:
    parts = [part(bytes([65 + at]), filename=name) for at, name in enumerate(("a.csv", "x/a.csv", "A.csv"))]
    got = sent(body(*parts), tmp_path / "d")
    assert [path.name for path in got.files] == ["a.csv", "a (2).csv", "A (3).csv"]
    assert [path.read_bytes() for path in got.files] == [b"A", b"B", b"C"]


def test_more_than_the_limit_is_refused_as_it_comes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(uploads, "MOST_BYTES", 100_000)
    taken = 0

    def endless() -> Iterable[bytes]:
        nonlocal taken
        yield body(part(b"", filename="a.csv"))[: -len(BOUNDARY) - 8]
        while True:
            taken += 1
            yield b"x" * 10_000

    assert "which is the limit" in refusal(endless(), tmp_path / "d")
    assert taken <= 11


@pytest.mark.slow
def test_a_body_at_the_limit_arrives_and_one_above_does_not(tmp_path: Path) -> None:
    head, tail = part(b"", filename="a.csv")[:-2], f"\r\n--{BOUNDARY}--\r\n".encode()
    block = b"0123456789abcde\n" * 2**12  # 64 KiB
    whole = [block] * ((uploads.MOST_BYTES - len(head) - len(tail)) // len(block))
    got = sent([head, *whole, tail], tmp_path / "d")
    assert got.files[0].stat().st_size == len(whole) * len(block)
    refusal([head, *whole, block, block, tail], tmp_path / "e")


@pytest.mark.parametrize(
    ("content", "content_type"),
    [
        (body(part(b"1", filename="a.csv"))[:-8], CONTENT_TYPE),
        (part(b"1", filename="a.csv"), CONTENT_TYPE),
        (b"", CONTENT_TYPE),
        (b"nothing of a form", CONTENT_TYPE),
        (body(part(b"1", filename="a.csv")), "multipart/form-data"),
        (body(part(b"1", filename="a.csv")), "text/plain"),
        (body(part(b"1", filename="a.csv")), "multipart/form-data; boundary=other"),
        (f"--{BOUNDARY}\r\n".encode() + b"X: y\r\n" * 5_000, CONTENT_TYPE),
    ],
)
def test_what_is_no_whole_form_is_refused(tmp_path: Path, content: bytes, content_type: str) -> None:
    assert "did not arrive whole" in refusal(content, tmp_path / "d", content_type)


def test_a_form_without_files_or_with_too_many_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert "no file was chosen" in refusal(body(part(b"A", name="site"), part(b"", filename="")), tmp_path / "d")
    monkeypatch.setattr(uploads, "MOST_FILES", 2)
    three = body(*(part(b"1", filename=f"{name}.csv") for name in "abc"))
    assert "more than 2 files" in refusal(three, tmp_path / "d")


def test_a_long_answer_is_refused(tmp_path: Path) -> None:
    assert "too long" in refusal(body(part(b"A" * 1_001, name="site")), tmp_path / "d")


def workbook(parts: dict[str, bytes]) -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    return packed.getvalue()


def test_a_zip_bomb_is_refused_by_its_table_of_contents(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(uploads, "MAX_FILE_BYTES", 2**20)
    bomb = workbook({f"{number}.xml": b"0" * 2**19 for number in range(3)})
    assert len(bomb) < 10_000
    assert "unpacked, it would be larger" in refusal(body(part(bomb, filename="a.xlsx")), tmp_path / "d")


def test_a_bomb_that_lies_about_its_size_is_refused_on_reading(tmp_path: Path) -> None:
    """The table of contents says one byte; what is unpacked is stopped there, and the workbook called damaged."""
    from pipelines.sources import read_source

    bomb = bytearray(workbook({"xl/workbook.xml": b"0" * 2**20}))
    entry = bomb.rindex(b"PK\x01\x02")
    bomb[entry + 24 : entry + 28] = struct.pack("<I", 1)
    got = sent(body(part(bytes(bomb), filename="a.xlsx")), tmp_path / "d")
    with pytest.raises(GraftledgerError, match="damaged"):
        read_source(got.files[0])


def test_very_many_parts_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(uploads, "MOST_PARTS_OF_WORKBOOK", 5)
    many = workbook({f"{number}.xml": b"" for number in range(6)})
    assert "larger than" in refusal(body(part(many, filename="a.xlsx")), tmp_path / "d")


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("a.exe", b"MZ\x90", "ends in none of"),
        ("a", b"x\n1", "ends in none of"),
        ("a.csv", b"", "the file is empty"),
        ("a.csv", b"PK\x03\x04zip", "an Excel workbook or another zip file"),
        ("a.csv", b"%PDF-1.7", "a PDF file"),
        ("a.xlsx", b"x\n1", "not an Excel workbook"),
        ("a.xlsx", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "not an Excel workbook"),
        ("a.parquet", b"PK\x03\x04", "an Excel workbook or another zip file"),
    ],
)
def test_a_file_is_what_its_first_bytes_say(tmp_path: Path, name: str, content: bytes, words: str) -> None:
    assert words in refusal(body(part(content, filename=name)), tmp_path / "d")


def test_one_wrong_file_refuses_all(tmp_path: Path) -> None:
    refusal(body(part(b"x\n1\n", filename="a.csv"), part(b"MZ", filename="b.exe")), tmp_path / "d")
