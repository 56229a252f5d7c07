"""Secret keys: made at random, readable by their owner alone, refused where they could be guessed."""

from __future__ import annotations

import base64
import os
import random
import stat
from pathlib import Path

import pytest

from pipelines.pseudonyms import make_key_file, read_key_file
from pipelines.pseudonyms.practice_key import weakness_of
from registry import GraftledgerError


def key_file(folder: Path, content: str) -> Path:
    path = folder / "key"
    path.write_text(content, encoding="utf-8")
    path.chmod(0o600)
    return path


def test_a_made_key_is_read_back(tmp_path: Path) -> None:
    made = make_key_file(tmp_path / "key")
    assert len(made.material) == 32
    assert read_key_file(tmp_path / "key") == made
    assert make_key_file(tmp_path / "other") != made
    assert stat.S_IMODE((tmp_path / "key").stat().st_mode) == 0o600
    assert len(made.fingerprint) == 8


def test_a_key_is_never_overwritten(tmp_path: Path) -> None:
    made = make_key_file(tmp_path / "key")
    with pytest.raises(GraftledgerError, match="exists already"):
        make_key_file(tmp_path / "key")
    assert read_key_file(tmp_path / "key") == made


def test_a_key_does_not_show_itself(tmp_path: Path) -> None:
    made = make_key_file(tmp_path / "key")
    text = (tmp_path / "key").read_text(encoding="ascii").strip()
    for shown in (repr(made), str(made), made.fingerprint):
        assert text not in shown
        assert made.material.hex()[:8] not in shown
        assert repr(made.material)[2:-1] not in shown


@pytest.mark.skipif(os.name != "posix", reason="permissions of POSIX")
@pytest.mark.parametrize("mode", [0o604, 0o640, 0o644, 0o666])
def test_a_key_that_others_may_read_is_refused(tmp_path: Path, mode: int) -> None:
    make_key_file(tmp_path / "key")
    (tmp_path / "key").chmod(mode)
    with pytest.raises(GraftledgerError, match="chmod 600"):
        read_key_file(tmp_path / "key")


@pytest.mark.parametrize(
    ("material", "words"),
    [
        (bytes(range(1, 32)), "fewer than 32"),
        (bytes(32), "repeats"),
        (b"\xab" * 40, "repeats"),
        (bytes(range(7)) * 6, "repeats"),
        (random.Random(1).randbytes(20) * 2, "repeats"),
        (bytes(range(32)), "sequence"),
        (bytes(range(200, 168, -1)), "sequence"),
        (b"correct horse battery staple, and more", "text"),
        (random.Random(1).randbytes(8) + bytes(60), "too few"),
    ],
)
def test_weak_keys_are_refused(tmp_path: Path, material: bytes, words: str) -> None:
    path = key_file(tmp_path, base64.urlsafe_b64encode(material).decode("ascii"))
    with pytest.raises(GraftledgerError) as refusal:
        read_key_file(path)
    assert words in str(refusal.value)


def test_random_keys_are_not_called_weak() -> None:
    numbers = random.Random(2)
    assert {weakness_of(numbers.randbytes(32)) for _ in range(20_000)} == {None}


@pytest.mark.parametrize("content", ["", "\n", "no key at all!", "ä" * 50, "abc\ndef", "A" * 5000])
def test_other_files_are_refused_and_not_repeated(tmp_path: Path, content: str) -> None:
    with pytest.raises(GraftledgerError) as refusal:
        read_key_file(key_file(tmp_path, content))
    assert len(content.strip()) < 3 or content.strip() not in str(refusal.value)


def test_a_missing_file(tmp_path: Path) -> None:
    with pytest.raises(GraftledgerError, match="no such file"):
        read_key_file(tmp_path / "key")
