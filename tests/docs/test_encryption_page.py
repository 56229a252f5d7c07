"""The page on encryption: its commands, variables and numbers are those of the program."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
from typer.testing import CliRunner

from registry import encryption
from reports.command_line import app

PAGE = (Path(__file__).parents[2] / "docs" / "encryption.md").read_text(encoding="utf-8")
BLOCKS = "".join(re.findall(r"^```\n(.*?)^```$", PAGE, re.M | re.S))
COMMANDS = re.findall(r"^graftledger .*$", BLOCKS, re.M) + re.findall(r"`(graftledger [^`]+ [^`]+)`", PAGE)


@pytest.mark.parametrize("line", COMMANDS)
def test_commands_and_their_options_exist(line: str) -> None:
    _, *words = shlex.split(line)
    command = words[: 2 if words[0] == "encryption" else 1]
    told = CliRunner().invoke(app, [*command, "--help"], env={"COLUMNS": "200"})
    assert told.exit_code == 0
    assert [word for word in words if word.startswith("--") and word not in told.output] == []


def test_names_and_numbers_are_those_of_the_program() -> None:
    assert len(COMMANDS) >= 7
    told = set(re.findall(r"GRAFTLEDGER_KEY\w*", PAGE))
    assert told == {encryption.KEY_FILE_VARIABLE, encryption.KEY_VARIABLE}
    assert f"at least {encryption.SHORTEST_KEY} characters" in PAGE
