"""The pages on the web application: roles, numbers and commands are those of the program."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
from typer.testing import CliRunner

from reports.command_line import app
from reports.web import accounts, deliveries, jobs, passwords, sessions, sign_in, uploads
from reports.web.access import TASKS, Role

DOCS = Path(__file__).parents[2] / "docs"
PAGE = (DOCS / "web.md").read_text(encoding="utf-8")
ASVS = (DOCS / "asvs.md").read_text(encoding="utf-8")
WORDS = re.sub(r"\s+", " ", PAGE)


def table(text: str, head: str) -> list[list[str]]:
    lines = text[text.index(head) :].splitlines()
    rows = [[cell.strip() for cell in line.strip("|").split("|")] for line in lines[: lines.index("")]]
    return [rows[0], *rows[2:]]


def test_the_table_of_roles_is_that_of_the_program() -> None:
    head, *rows = table(PAGE, "| task | director")
    assert head[1:] == [role.value for role in (Role.DIRECTOR, Role.SURGEON, Role.RESEARCHER, Role.DATA_MANAGER)]
    told = {name: {role for role, word in zip(head[1:], words, strict=True) if word == "yes"} for name, *words in rows}
    assert told == {task.label: {role.value for role in task.roles or ()} for task in TASKS if task.label}


def test_times_and_sizes_are_those_of_the_program() -> None:
    assert f"ends after {sessions.IDLE.seconds // 60} minutes without a visit" in WORDS
    assert f"after {sessions.LONGEST.seconds // 3600} hours in any case" in WORDS
    assert f"{passwords.SHORTEST_PASSWORD} to {passwords.LONGEST_PASSWORD} signs" in WORDS
    assert f"{sign_in.FIRST_WAIT.seconds} seconds, then twice as long each time, up to an hour" in WORDS
    assert (sign_in.FAILURES_FREE, sign_in.LONGEST_WAIT.seconds, accounts.LINK_VALID.days) == (5, 3600, 3)
    assert (jobs.AT_ONCE, jobs.MOST_LIVE) == (2, 6)
    assert f"jobs {jobs.KEPT_DAYS} days" in WORDS
    assert f"not yet taken in | {deliveries.KEPT_DAYS} days" in WORDS
    assert f"{uploads.MOST_BYTES // 2**20} MB together" in WORDS


@pytest.mark.parametrize("line", re.findall(r"^graftledger .*$", PAGE, re.M))
def test_commands_and_their_options_exist(line: str) -> None:
    _, *words = shlex.split(line.rstrip("\\"))
    command = words[: 2 if words[0] == "accounts" else 1]
    told = CliRunner().invoke(app, [*command, "--help"], env={"COLUMNS": "200"})
    assert told.exit_code == 0
    assert [word for word in words if word.startswith("--") and word not in told.output] == []


def test_items_of_the_standard_are_in_order_and_each_has_a_verdict() -> None:
    rows = re.findall(r"^\| (\d+\.\d+\.\d+) \| ([a-z ]+) \| (.+) \|$", ASVS, re.M)
    numbers = [tuple(map(int, number.split("."))) for number, _, _ in rows]
    assert numbers == sorted(set(numbers))
    assert {verdict for _, verdict, _ in rows} == {"met", "in part", "not met", "none here"}
    assert len(rows) == len(re.findall(r"^\| \d", ASVS, re.M))
    told = re.search(r"Of (\d+) items (\d+) are met, (\d+) in part, (\d+) not, and (\d+) concern", ASVS)
    assert told is not None
    verdicts = [verdict for _, verdict, _ in rows]
    counts = [verdicts.count(verdict) for verdict in ("met", "in part", "not met", "none here")]
    assert list(map(int, told.groups())) == [len(rows), *counts]
