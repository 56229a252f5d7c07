"""Encodings: told from the bytes, or refused. Expected values: Python's codecs."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipelines.sources import known_encoding, read_source
from registry import GraftledgerError

GERMAN = "Größe;Rötung\nmäßig;übel – 5 € „so“\n"
FRENCH = "Œdème;Durée\nléger;l’opération\n"
TURKISH = "Şişlik;Ağrı\nyok;hafif\n"


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("text", [GERMAN, FRENCH])
def test_common_encodings_are_told_apart(tmp_path: Path, encoding: str, text: str) -> None:
    path = tmp_path / "file.csv"
    path.write_bytes(text.encode(encoding))
    (sheet,) = read_source(path)
    header, row = (tuple(line.split(";")) for line in text.splitlines())
    assert (sheet.header, sheet.frame.rows()) == (header, [row])


@pytest.mark.parametrize(
    ("text", "encoding"),
    [
        (GERMAN.split("\n")[0] + "\nx;y\n", "cp850"),
        (GERMAN.split("\n")[0] + "\nx;y\n", "mac-roman"),
        (TURKISH, "cp1254"),
    ],
)
def test_what_may_be_another_encoding_is_refused_until_it_is_named(tmp_path: Path, text: str, encoding: str) -> None:
    path = tmp_path / "file.csv"
    path.write_bytes(text.encode(encoding))
    with pytest.raises(GraftledgerError, match="the encoding cannot be told"):
        read_source(path)
    (sheet,) = read_source(path, encoding=encoding)
    assert sheet.header == tuple(text.split("\n")[0].split(";"))


def test_a_broken_character_in_utf_8_is_named_by_row(tmp_path: Path) -> None:
    path = tmp_path / "file.csv"
    path.write_bytes("Größe;b\n1;2\n".encode() + b"3;\xfc\n")
    with pytest.raises(GraftledgerError, match="some characters are written in UTF-8 and others are not") as refusal:
        read_source(path)
    assert refusal.value.faults[0].row == 2


def test_a_wrong_declared_encoding_is_refused_by_row(tmp_path: Path) -> None:
    path = tmp_path / "file.csv"
    path.write_bytes(b"a;b\n1;2\n3;\xfc\n")
    with pytest.raises(GraftledgerError, match="not written in utf-8") as refusal:
        read_source(path, encoding="utf-8")
    assert refusal.value.faults[0].row == 2


@pytest.mark.parametrize("content", [b"a\0b\n1\n", "a;b\n1;2\n".encode("utf-32"), bytes(range(256))])
def test_what_is_no_text_is_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "file.csv"
    path.write_bytes(content)
    with pytest.raises(GraftledgerError, match=r"not a text file|UTF-32"):
        read_source(path)


def test_only_encodings_of_text_files_may_be_declared() -> None:
    assert known_encoding("Latin-1") == "iso8859-1"
    assert known_encoding("Windows-1254") == "cp1254"
    for name in ("hex", "rot13", "utf-7", "punycode", "idna", "unicode_escape", "no such", "a\0b", ""):
        with pytest.raises(GraftledgerError, match="not an encoding"):
            known_encoding(name)
