"""The report of an intake as a command: where it writes, what it prints in 80 columns, what it refuses."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from registry import open_registry
from reports.command_line import app
from tests.pipelines.intake.sound_rows import numbered, write_csv


def run(*arguments: str | Path) -> tuple[int, str, str]:
    result = CliRunner().invoke(app, [str(argument) for argument in arguments])
    assert "Traceback" not in result.output
    return result.exit_code, result.stdout, result.stderr


@pytest.fixture
def folder(empty_registry: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A sound patient, one at fault, and a session whose patient is not there; the working folder is the registry's."""
    files = [
        write_csv(tmp_path / "in" / "patient.csv", [numbered("patient", 1), numbered("patient", 2, sex="zq9")]),
        write_csv(tmp_path / "in" / "session.csv", [numbered("session", 3)]),
    ]
    code, _, err = run("intake", *files, "--registry", empty_registry, "--today", "2026-09-30", "--received-by", "me")
    assert code == 0
    assert f"graftledger intake-report --intake 1 --registry {empty_registry}" in err
    monkeypatch.chdir(empty_registry)
    return empty_registry


def test_it_writes_and_sums_up(folder: Path) -> None:
    """By hand."""
    code, out, err = run("intake-report")
    assert code == 0
    lines = out.splitlines()
    assert max(map(len, lines)) <= 80
    assert lines[0].startswith("Intake 1, received ")
    assert next(line.split() for line in lines if line.startswith("patients")) == [
        "patients",
        *("2", "1", "0", "0", "1", "0", "0"),
    ]
    assert "     graftledger held-back export --site A --out held_back_1" in lines
    assert "     graftledger intake held_back_1/held_back_A.xlsx" in lines
    assert "      1  patient.sex, unknown_code: the value is not one of the field's codes." in out
    assert "      1  since the patient or session they belong to is not there" in lines
    row = next(line.split() for line in lines if line.startswith("  A  "))
    assert row == ["A", "66.7%", "(20.8%", "to", "93.9%)", "few", "none"]  # other software: R, prop.test(2, 3)
    assert "zq9" not in out
    assert lines[-1] == f"The report is in {Path('intake-1') / 'intake.html'}"
    assert json.loads((folder / "intake-1" / "figures.json").read_text(encoding="utf-8"))["meta"]["intake"] == 1
    with open_registry(folder) as registry:
        written = registry.connection.execute("select kind, intake_id from report_ledger").fetchall()
    assert written == [("intake report", 1)]

    code, _, err = run("intake-report")
    assert (code, "--replace" in err) == (1, True)
    assert run("intake-report", "--replace")[0] == 0


def test_a_retry_says_what_was_judged_again(folder: Path) -> None:
    """By hand: the patient is still at fault and the session still waits."""
    assert run("held-back", "retry", "--today", "2026-09-30")[0] == 0
    code, out, _ = run("intake-report", "--intake", "2")
    assert code == 0
    assert out.startswith("Event 2, received ")
    assert "No row was held back for other reasons than before." in out
    assert "Judged again without being sent again: 2, of which 2 are still held back." in out


def test_it_refuses_what_is_not_there(folder: Path, tmp_path: Path) -> None:
    code, out, err = run("intake-report", "--intake", "7", "--out", tmp_path / "out")
    assert (code, out, "there is no intake 7" in err) == (1, "", True)
    assert not (tmp_path / "out").exists()


def test_before_the_first_intake(empty_registry: Path) -> None:
    code, out, err = run("intake-report", "--registry", empty_registry)
    assert (code, out, err.strip()) == (1, "", "There has been no intake yet.")
