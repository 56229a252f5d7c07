"""The page on comparison: commands, codes and least numbers are those of the program."""

from __future__ import annotations

import re
from pathlib import Path

from typer.testing import CliRunner

from pipelines.comparison.blinding import LEAST_IN_BAND, LEAST_PEERS
from pipelines.comparison.compare import LEAST_POOLED, PERIOD_YEARS
from pipelines.comparison.measures import CHOSEN_BY_SURGEON
from pipelines.comparison.reviews import FINDINGS, STEPS
from pipelines.comparison.storing import REFERENCE_YEARS
from pipelines.comparison.surveillance import RUN_LENGTH
from reports.benchmark._sections.case_mix import chosen_words
from reports.command_line import app

PAGE = (Path(__file__).parents[2] / "docs" / "comparison.md").read_text(encoding="utf-8")
WORDS = re.sub(r"\s+", " ", PAGE)


def test_every_command_on_the_page_exists() -> None:
    named = set(re.findall(r"graftledger ([a-z-]+)(?: ([a-z]+)\b)?", PAGE))
    assert len(named) >= 3
    for group, command in named:
        arguments = [group, *([command] if group in ("case-mix", "outlier-reviews") else []), "--help"]
        assert CliRunner().invoke(app, arguments).exit_code == 0, arguments


def test_steps_and_findings_are_those_of_the_program() -> None:
    step, finding = re.search(r"--step (\w+) --finding (\w+)", PAGE).groups()  # type: ignore[union-attr]
    assert finding in FINDINGS[step]
    told = re.findall(r"^\d\. \*\*([a-z -]+)\*\*", PAGE, re.M)
    assert [name for name in told if name in STEPS.values()] == list(STEPS.values())


def test_least_numbers_are_those_of_the_program() -> None:
    numbers = {2: "two", 3: "three", 4: "four", 5: "five"}
    assert f"at least {numbers[LEAST_PEERS]} others have enough cases" in WORDS
    assert f"bands that hold at least {numbers[LEAST_IN_BAND]} peers" in WORDS
    assert f"fewer than {numbers[LEAST_POOLED]} others operated" in WORDS
    assert f"The period is {numbers[PERIOD_YEARS]} years" in WORDS
    assert f"fits one to the last {numbers[REFERENCE_YEARS]} years" in WORDS
    assert f"about once in {RUN_LENGTH:,} sessions" in WORDS


def test_what_is_left_out_on_purpose_is_named() -> None:
    for name in CHOSEN_BY_SURGEON:
        word = {"grafts_total": "number of grafts", "out_of_body_minutes": "time out of the body"}.get(name)
        assert (word or chosen_words(name).split(" ")[-1]) in WORDS
