"""The link table: encrypted, read back with the passphrase alone, and told when it was changed."""

from __future__ import annotations

import stat
from pathlib import Path

import polars as pl
import pytest

from pipelines.pseudonyms import (
    Pseudonymised,
    read_link_table,
    read_passphrase,
    write_link_table,
    write_pseudonymised,
)
from registry import GraftledgerError

LINKS = pl.DataFrame({"patient_key": ["p9tsUajLsuSI7-smbTSBnur"], "chart_number": ["0012-krawinkel"]})
PASSPHRASE = "harbour willow 37 quarry lantern"


def test_round_trip(tmp_path: Path) -> None:
    write_link_table(tmp_path / "links", LINKS, PASSPHRASE)
    assert read_link_table(tmp_path / "links", PASSPHRASE).equals(LINKS)
    assert stat.S_IMODE((tmp_path / "links").stat().st_mode) == 0o600


def test_nothing_is_readable_and_no_two_files_are_alike(tmp_path: Path) -> None:
    for name in ("one", "two"):
        write_link_table(tmp_path / name, LINKS, PASSPHRASE)
    one, two = (tmp_path / "one").read_bytes(), (tmp_path / "two").read_bytes()
    assert b"krawinkel" not in one
    assert b"p9tsU" not in one
    assert one[25:] != two[25:]


def test_another_passphrase_or_a_changed_file_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "links"
    write_link_table(path, LINKS, PASSPHRASE)
    with pytest.raises(GraftledgerError, match="another one"):
        read_link_table(path, PASSPHRASE + "x")
    content = path.read_bytes()
    for position in (30, 45, 60, len(content) - 1):
        (tmp_path / "changed").write_bytes(
            content[:position] + bytes([content[position] ^ 1]) + content[position + 1 :]
        )
        with pytest.raises(GraftledgerError, match="changed"):
            read_link_table(tmp_path / "changed", PASSPHRASE)
    (tmp_path / "changed").write_bytes(content[:30])
    with pytest.raises(GraftledgerError, match="changed"):
        read_link_table(tmp_path / "changed", PASSPHRASE)
    (tmp_path / "changed").write_bytes(b"patient_key,chart_number\n")
    with pytest.raises(GraftledgerError, match="no link table"):
        read_link_table(tmp_path / "changed", PASSPHRASE)


@pytest.mark.parametrize("passphrase", ["short", "aaaaaaaaaaaaaaaaaaaaaaaa", ""])
def test_weak_passphrases_are_refused(tmp_path: Path, passphrase: str) -> None:
    path = tmp_path / "passphrase"
    path.write_text(passphrase, encoding="utf-8")
    path.chmod(0o600)
    with pytest.raises(GraftledgerError):
        read_passphrase(path)


def test_both_files_or_none(tmp_path: Path) -> None:
    done = Pseudonymised(LINKS.select("patient_key"), {}, (), LINKS)
    with pytest.raises(GraftledgerError):
        write_pseudonymised(done, tmp_path / "out.csv", tmp_path / "links")
    (tmp_path / "out.csv").write_text("there", encoding="utf-8")
    with pytest.raises(GraftledgerError, match="exists already"):
        write_pseudonymised(done, tmp_path / "out.csv", tmp_path / "links", PASSPHRASE)
    with pytest.raises(GraftledgerError, match="folder"):
        write_pseudonymised(done, tmp_path / "none" / "out.csv", tmp_path / "links", PASSPHRASE)
    assert [path.name for path in tmp_path.iterdir()] == ["out.csv"]
    assert (tmp_path / "out.csv").read_text(encoding="utf-8") == "there"


def test_a_failed_write_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    done = Pseudonymised(LINKS.select("patient_key"), {}, (), LINKS)

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(
        pl.DataFrame,
        "write_csv",
        lambda self, file: full() if hasattr(file, "fileno") and file.name else file.write(b"x"),
    )
    with pytest.raises(GraftledgerError, match="no space left"):
        write_pseudonymised(done, tmp_path / "out.csv")
    assert list(tmp_path.iterdir()) == []
