"""The sheet as it is read: on the terminal, as a page, and what it refuses."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from pipelines.figure import Figure
from reports.command_line import app
from reports.consultation import line_words
from reports.wording import frequency_words
from tests.pipelines.consultation.test_sheet import records
from tests.small_registry import key, small_registry


@pytest.fixture
def folder(empty_registry: Path) -> Path:
    with small_registry(empty_registry, **records(60, 20)):
        pass
    return empty_registry


def run(folder: Path, *arguments: str) -> Result:
    return CliRunner().invoke(app, ["consultation-sheet", *arguments, "--registry", str(folder)])


def test_the_terminal_says_how_often_of_whom_and_with_what_caution(folder: Path) -> None:
    result = run(folder, "--age", "30", "--sex", "male", "--technique", "strip")
    assert result.exit_code == 0, result.output
    words = " ".join(result.stdout.split())
    # by hand: six of sixty men had a next session on day 300
    assert "Within 1 year: about 10 in 100 (" in words
    assert "Past patients aged 25–34 at the first surgery, strip harvest, male." in words
    assert "Severe swelling by day 7: none of 60; at most about" in words
    assert "Swelling by day 7: none of 60" in words
    assert "Swelling, moderate or worse by day 7: none of 60" in words
    assert "Patients in whom less than 80% of them grew: " in words
    assert "not the yield of a whole head" in words
    assert "no forecast for the person here" in " ".join(result.stderr.split())
    assert max(len(line) for line in result.output.splitlines()) <= 80


def test_the_page_and_its_figures(folder: Path, tmp_path: Path) -> None:
    out = tmp_path / "sheet"
    result = run(folder, "--patient", key("m3"), "--grafts", "2200", "--out", str(out))
    assert result.exit_code == 0, result.output
    page = (out / "consultation_sheet.html").read_text(encoding="utf-8")
    assert "about 10 in 100" in page
    assert "no promise and no advice" in page
    assert key("m3") not in page
    figures = json.loads((out / "figures.json").read_text(encoding="utf-8"))
    assert figures["meta"]["profile"] == {"age_years": 30, "sex": "male", "technique": "strip", "grafts": 2200}
    assert key("m3") not in (out / "figures.json").read_text(encoding="utf-8")
    printed = (out / "consultation_sheet.pdf").read_bytes()
    assert len(re.findall(rb"/Type ?/Page\b", printed)) == 1
    assert key("m3").encode() not in printed
    again = run(folder, "--age", "30", "--out", str(out))
    assert again.exit_code == 1
    assert "--replace" in again.stderr


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ([], "Give --age, or --patient"),
        (["--age", "12"], "16 to 110"),
        (["--age", "30", "--stage", "III"], "--scale and --stage together"),
        (["--age", "30", "--scale", "ludwig", "--stage", "VII"], "pattern_stage has no value"),
        (["--patient", "nobody"], "no patient of this key"),
        (["--age", "30", "--out", "sheet", "--paper", "a3"], "is no paper"),
    ],
)
def test_refusals(folder: Path, arguments: list[str], message: str) -> None:
    result = run(folder, *arguments)
    assert result.exit_code == 1
    assert message in " ".join(result.stderr.split())


def test_what_rests_on_too_few_is_not_said() -> None:
    figure = Figure("m", 40, "patients", "km", estimate=0.5, lower=0.3, upper=0.7, flags=("too_few",))
    assert frequency_words(figure) == "too few to say"
    length = Figure("session_length", 9, "sessions", "quartiles", estimate=4.5, lower=4.0, upper=5.5, level=0.5)
    assert line_words(length) == "4.5 hours (middle half of sessions 4.0 to 5.5)"
    assert line_words(replace(length, flags=("too_few",))) == "too few to say"


def test_limits_are_rounded_outwards() -> None:
    """*By hand*: 0.204 to 0.291 is said as 20 to 30 in 100."""
    assert frequency_words(Figure("m", 400, "patients", "km", estimate=0.25, lower=0.204, upper=0.291)) == (
        "about 25 in 100 (20 to 30)"
    )
