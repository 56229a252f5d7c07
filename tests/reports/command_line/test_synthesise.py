"""The command that writes fictional clinics."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from reports.command_line import app

RUN = CliRunner()


def test_it_writes_and_says_where(tmp_path: Path) -> None:
    result = RUN.invoke(
        app, ["synthesise", "--patients", "30", "--seed", "2", "--out", str(tmp_path / "x"), "--errors", "0.05"]
    )
    assert result.exit_code == 0, result.output
    assert "30 fictional patients" in result.stdout
    assert "planted_errors.csv" in result.stdout
    assert "invented" in result.stdout
    assert "graftledger start" in result.stderr
    assert (tmp_path / "x" / "HARBOUR" / "patient.csv").exists()


def test_nothing_but_words_in_a_pipe(tmp_path: Path) -> None:
    result = RUN.invoke(app, ["synthesise", "--patients", "5", "--out", str(tmp_path / "x")])
    assert result.exit_code == 0, result.output
    assert "\x1b" not in result.output
    assert "\r" not in result.output
    assert "drawing" not in result.output


@pytest.mark.parametrize("options", [["--patients", "0"], ["--patients", "5", "--errors", "2"]])
def test_refusals_are_plain_words(tmp_path: Path, options: list[str]) -> None:
    result = RUN.invoke(app, ["synthesise", *options, "--out", str(tmp_path / "x")])
    assert result.exit_code == 1
    assert "must be" in result.stderr
    assert "Traceback" not in result.output


def test_an_existing_folder_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("mine", encoding="utf-8")
    result = RUN.invoke(app, ["synthesise", "--patients", "5", "--out", str(tmp_path)])
    assert result.exit_code == 1
    assert "not empty" in result.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]
