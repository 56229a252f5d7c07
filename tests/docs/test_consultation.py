"""The page on consultations: its numbers are those of the program, its options are there."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

from typer.testing import CliRunner

from pipelines.consultation.sheet import ENOUGH, ENOUGH_COUNTED, NEXT_SESSION_AT
from pipelines.expectations import LEVEL
from pipelines.planning import PLANNED
from registry.durations import years
from reports.command_line import app

PAGE = (Path(__file__).parents[2] / "docs" / "consultation.md").read_text(encoding="utf-8")
WORDS = re.sub(r"\s+", " ", PAGE)


def test_numbers_are_those_of_the_program() -> None:
    assert f"at least {ENOUGH} sessions ({ENOUGH} patients for a further session, {ENOUGH_COUNTED} with" in WORDS
    assert f"judged by its {LEVEL:.0%} interval" in WORDS
    assert tuple(years(count) for count in (1, 2, 5, 10)) == NEXT_SESSION_AT
    assert "a further session by 1, 2, 5 and 10 years" in WORDS


def test_every_command_and_option_is_there() -> None:
    blocks = "".join(re.findall(r"```sh\n(.*?)```", PAGE, re.DOTALL)).replace("\\\n", " ")
    lines = [shlex.split(line, comments=True) for line in blocks.splitlines() if line.strip()]
    assert len(lines) >= 10
    for words in lines:
        assert words[0] == "graftledger"
        help_text = CliRunner().invoke(app, [words[1], "--help"], env={"COLUMNS": "200"}).output
        for option in (word for word in words if word.startswith("--")):
            assert option in help_text, (words[1], option)
        if words[1] == "cases-needed":
            assert words[2] in PLANNED
