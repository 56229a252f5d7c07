"""The commands that let a cohort out, as typed. Expected: by hand."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from reports.command_line import app
from tests.small_registry import small_registry


@pytest.fixture
def folder(empty_registry: Path) -> Path:
    patients = [{"patient_key": f"p{n}", "consent_scope": "audit_and_research"} for n in range(12)]
    sessions = [{"session_key": f"s{n}", "patient_key": f"p{n}"} for n in range(12)]
    with small_registry(empty_registry, patient=patients, session=sessions):
        pass
    assert run("cohort", "define", "all", "--registry", empty_registry)[0] == 0
    return empty_registry


def run(*args: object) -> tuple[int, str]:
    result = CliRunner().invoke(app, [str(arg) for arg in args])
    return result.exit_code, result.output


def test_every_level_and_the_ledger(folder: Path, tmp_path: Path) -> None:
    assert run("exports", "list", "--registry", folder) == (0, "Nothing has been exported yet.\n")
    for level, caution in (("internal", "must not leave"), ("limited", "TERMS.md"), ("anonymous", "disclosure.md")):
        code, text = run("export", "all", "--level", level, "--out", tmp_path / level, "--registry", folder)
        assert code == 0, text
        assert caution in text
        assert max(len(line) for line in text.splitlines() if str(tmp_path) not in line) <= 80
    code, text = run("exports", "list", "--files", "--registry", folder)
    assert code == 0
    assert [line.split()[6] for line in text.splitlines() if " all 1" in line] == ["internal", "limited", "anonymous"]
    assert text.count("data/gaps.csv") == 3


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["all"], "There is no default"),
        (["all", "--level", "secret"], "no level 'secret'"),
        (["al", "--level", "internal"], "Did you mean all"),
        (["all", "--level", "internal", "--formats", "xlsx"], "no format 'xlsx'"),
        (["all", "--level", "anonymous", "--k", "1"], "k must be 2 or more"),
        (["all", "--level", "anonymous", "--k", "13"], "fewer than 13"),
        (["all", "--level", "internal", "--version", "2"], "versions 1 to 1"),
    ],
)
def test_refusals(folder: Path, tmp_path: Path, arguments: list[str], words: str) -> None:
    code, text = run("export", *arguments, "--out", tmp_path / "out", "--registry", folder)
    assert code == 1
    assert words in text
    assert not (tmp_path / "out").exists()
