"""The command: where it writes, what it prints, what it refuses."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from reports.command_line import app

from .conftest import QUARTER

runner = CliRunner()


def test_it_writes_where_it_is_told_and_says_so(
    practice_folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    arguments = ["audit", QUARTER, "--registry", str(practice_folder), "--out", str(tmp_path / "here")]
    result = runner.invoke(app, arguments)
    assert result.exit_code == 0, result.output
    assert str(tmp_path / "here" / "audit.html") in result.stdout
    assert json.loads((tmp_path / "here" / "figures.json").read_text(encoding="utf-8"))["meta"]["quarter"] == QUARTER

    with monkeypatch.context() as patch:  # before any work: of a large registry it takes minutes
        patch.setattr("reports.audit.build_audit", lambda *_, **__: pytest.fail("worked before it refused"))
        again = runner.invoke(app, arguments)
    assert again.exit_code == 1
    assert "--replace" in again.stderr
    assert runner.invoke(app, [*arguments, "--replace"]).exit_code == 0


def test_left_out_the_folder_is_named_after_the_quarter(
    practice_folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert runner.invoke(app, ["audit", QUARTER, "--registry", str(practice_folder)]).exit_code == 0
    assert (tmp_path / f"audit-{QUARTER}" / "audit.html").exists()


@pytest.mark.parametrize(
    ("quarter", "says"),
    [("third of 2019", "2026-Q3"), ("2020-Q1", "lies after the data"), ("2019-Q9", "is not a quarter")],
)
def test_a_refusal_is_plain_and_leaves_nothing(practice_folder: Path, tmp_path: Path, quarter: str, says: str) -> None:
    out = tmp_path / "out"
    result = runner.invoke(app, ["audit", quarter, "--registry", str(practice_folder), "--out", str(out)])
    assert result.exit_code == 1
    assert says in result.stderr
    assert "Traceback" not in result.output
    assert not out.exists()


def test_without_a_registry_it_says_how_to_make_one(tmp_path: Path) -> None:
    result = runner.invoke(app, ["audit", QUARTER, "--registry", str(tmp_path)])
    assert result.exit_code == 1
    assert "graftledger start" in result.stderr


def test_paper_and_letters_that_cannot_be_printed(practice_folder: Path, tmp_path: Path) -> None:
    where = ["--registry", str(practice_folder), "--out", str(tmp_path / "out")]
    refused = runner.invoke(app, ["audit", QUARTER, *where, "--paper", "a0"])
    assert refused.exit_code == 1
    assert "'a0' is no paper" in refused.stderr
    assert not (tmp_path / "out").exists()
    (tmp_path / "comments.md").write_text("中", encoding="utf-8")
    odd = runner.invoke(
        app, ["audit", QUARTER, *where, "--paper", "letter", "--comments", str(tmp_path / "comments.md")]
    )
    assert odd.exit_code == 0, odd.output
    assert "holds a letter that its fonts do not have" in odd.stderr
    assert b"[0 0 612 792]" in (tmp_path / "out" / "audit.pdf").read_bytes()
