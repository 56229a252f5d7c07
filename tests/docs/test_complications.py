"""The page on complications: its commands run, and its rules are those of the code."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
from typer.testing import CliRunner

from pipelines.complication_kinds import ITEMS, Window
from registry.definition.codes import COMPLICATION_KIND
from reports.command_line import app
from tests.small_registry import on, small_registry

PAGE = (Path(__file__).parents[2] / "docs" / "complications.md").read_text(encoding="utf-8")
COMMANDS = re.findall(r"^graftledger (.*)$", PAGE, re.MULTILINE)


@pytest.mark.parametrize("line", COMMANDS)
def test_commands_run(empty_registry: Path, line: str) -> None:
    names = ("p1", "p2", "p3")
    with small_registry(
        empty_registry,
        patient=[{"patient_key": name} for name in names],
        session=[{"session_key": name, "patient_key": name} for name in names],
        visit=[{"session_key": name, "visited_on": on(100), "folliculitis_since_last": False} for name in names],
        complication=[{"session_key": name, "kind": "necrosis", "onset_day": 3} for name in ("p1", "p3")],
    ):
        pass
    result = CliRunner().invoke(app, [*shlex.split(line), "--registry", str(empty_registry)])
    assert result.exit_code == 0, result.output


def test_there_are_commands() -> None:
    assert len(COMMANDS) == 8


def test_the_kinds_asked_about_and_the_days_are_those_of_the_code() -> None:
    words = " ".join(PAGE.split())
    kinds = re.search(r"Kinds asked about at contacts\*\* \((.*?)\)", words)
    assert kinds
    labels = {code.name: code.meaning.lower() for code in COMPLICATION_KIND.codes}
    assert set(kinds[1].split(", ")) == {labels[kind] for kind in ITEMS}
    assert (Window(7).closes_by, Window(30).closes_by, Window(60).closes_by, Window(365).closes_by) == (
        14,
        120,
        120,
        450,
    )
    assert "by day 14 for a window of 7 days, day 120 for 30 or 60 days, day 450 for 12 months" in words
