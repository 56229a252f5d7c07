"""The pages on the audit: commands run, settings are read, sections named are there."""

from __future__ import annotations

import re
import shlex
import tomllib
from pathlib import Path

from typer.testing import CliRunner

from pipelines.measures import MEASURE_LABELS
from registry.settings import SETTINGS_FILE, parse_settings
from reports.audit import parse_comments
from reports.audit._build import _SECTIONS
from reports.command_line import app
from tests.small_registry import small_registry

DOCS = Path(__file__).parents[2] / "docs"
PAGE = (DOCS / "quarterly_audit.md").read_text(encoding="utf-8")


def test_the_first_commands_run(empty_registry: Path, tmp_path: Path) -> None:
    block = re.search(r"```\n(graftledger audit.*?)```", PAGE, re.DOTALL)
    assert block is not None
    lines = block[1].strip().splitlines()
    assert len(lines) == 3
    with small_registry(empty_registry, site_period=[{"quarter": "2026-Q3", "records_complete_to": "2026-09-30"}]):
        pass
    for line in lines:
        arguments = [part.replace("audit-2026-Q3", str(tmp_path / "out")) for part in shlex.split(line)[1:]]
        result = CliRunner().invoke(app, [*arguments, "--registry", str(empty_registry)])
        assert result.exit_code == 0, (line, result.output)


def test_the_options_named_are_there() -> None:
    for line in re.findall(r"^graftledger (.*)$", PAGE, re.MULTILINE):
        words = shlex.split(line)
        name = words[:2] if words[0] == "agreed-actions" else words[:1]
        shown = CliRunner().invoke(app, [*name, "--help"]).stdout
        assert all(option in shown for option in re.findall(r"--[a-z-]+", line)), line


def test_the_settings_and_comments_shown_are_sound() -> None:
    (settings,) = re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL)
    content = {"practice": "P", "sites": ["A"], "surgeons": ["S"], **tomllib.loads(settings)}
    read = parse_settings(content, SETTINGS_FILE, known_measures=list(MEASURE_LABELS))
    assert set(read.audit_leaves_out) <= set(_SECTIONS)
    (comments,) = re.findall(r"```markdown\n(.*?)```", PAGE, re.DOTALL)
    assert set(parse_comments(comments).sections) <= set(_SECTIONS)


def test_every_item_of_both_checklists_is_answered() -> None:
    """*Published*: STROBE has 22 items, the twelfth in five parts (von Elm 2007); RECORD adds 13 (Benchimol 2015)."""
    text = (DOCS / "reporting_checklist.md").read_text(encoding="utf-8")
    strobe, record = text.split("## RECORD")
    items = re.findall(r"^\| ([0-9]+[a-e]?) \|", strobe, re.MULTILINE)
    assert items == [*map(str, range(1, 12)), *(f"12{part}" for part in "abcde"), *map(str, range(13, 23))]
    assert re.findall(r"^\| ([0-9]+\.[0-9]) \|", record, re.MULTILINE) == [
        "1.1", "1.2", "1.3", "6.1", "6.2", "6.3", "7.1", "12.1", "12.2", "12.3", "13.1", "19.1", "22.1",
    ]  # fmt: skip
    assert all(len(row.split("|")[3].strip()) > 5 for row in text.splitlines() if re.match(r"\| [0-9]", row))
