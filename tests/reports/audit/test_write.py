"""All files or none, and never over an earlier audit unasked."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from registry.errors import GraftledgerError
from reports.audit import AuditDocument, write_audit

NAMES = ["audit.html", "audit.pdf", "figures.json", "tables.xlsx"]


def audit(text: str) -> AuditDocument:
    return AuditDocument(f"<p>{text}</p>\n", text, text.encode())


def test_it_writes_its_files_and_nothing_else(tmp_path: Path) -> None:
    page, pdf, figures, tables = write_audit(tmp_path / "deep" / "out", audit("é"), b"%PDF")
    assert page.read_bytes() == "<p>é</p>\n".encode()
    assert pdf.read_bytes() == b"%PDF"
    assert figures.read_text(encoding="utf-8") == "é"
    assert tables.read_bytes() == "é".encode()
    assert sorted(path.name for path in page.parent.iterdir()) == NAMES


@pytest.mark.parametrize("present", NAMES)
def test_an_earlier_audit_stays(tmp_path: Path, present: str) -> None:
    (tmp_path / present).write_text("old", encoding="utf-8")
    with pytest.raises(GraftledgerError, match="--replace"):
        write_audit(tmp_path, audit("new"), b"%PDF")
    assert [(path.name, path.read_text(encoding="utf-8")) for path in tmp_path.iterdir()] == [(present, "old")]


def test_it_is_replaced_when_asked(tmp_path: Path) -> None:
    write_audit(tmp_path, audit("old"), b"%PDF")
    page, _, figures, _ = write_audit(tmp_path, audit("new"), b"%PDF", replace=True)
    assert (page.read_text(encoding="utf-8"), figures.read_text(encoding="utf-8")) == ("<p>new</p>\n", "new")


def test_a_folder_under_the_name_of_a_file_is_refused_before_anything_is_written(tmp_path: Path) -> None:
    (tmp_path / "figures.json").mkdir()
    with pytest.raises(GraftledgerError, match=r"figures\.json"):
        write_audit(tmp_path, audit("new"), b"%PDF", replace=True)
    assert [path.name for path in tmp_path.iterdir()] == ["figures.json"]


def test_a_file_in_place_of_the_folder_is_refused(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("mine", encoding="utf-8")
    with pytest.raises(GraftledgerError, match="could not be written"):
        write_audit(tmp_path / "out", audit("new"), b"%PDF")
    assert (tmp_path / "out").read_text(encoding="utf-8") == "mine"


def test_where_writing_fails_the_folder_is_as_before(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_audit(tmp_path, audit("old"), b"%PDF")

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(GraftledgerError, match="no space left"):
        write_audit(tmp_path, audit("new"), b"%PDF", replace=True)
    assert sorted(path.name for path in tmp_path.iterdir()) == NAMES
    assert all((tmp_path / name).read_text(encoding="utf-8").count("old") for name in ("audit.html", "figures.json"))
