"""The page for researchers: its commands run as written, on fictional records. Expected: by hand."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
from typer.testing import CliRunner

import pipelines.exports.columns as columns
from registry.store import start_registry
from reports.command_line import app
from synthetic_data import SITES, SURGEONS, simulate
from tests.small_registry import load_frames

PAGE = Path(__file__).parents[2] / "docs" / "for_researchers.md"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    from registry import open_registry

    folder = tmp_path_factory.mktemp("page") / "registry"
    start_registry(folder, SITES, SURGEONS, "Test practice")
    with open_registry(folder, read_only=False) as registry:
        load_frames(registry, simulate(800, 3).frames)
    return folder


def test_the_commands_run(folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    block = re.search(r"```\n(graftledger.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)
    assert block is not None
    lines = block[1].strip().splitlines()
    assert len(lines) == 4
    for line in lines:
        result = CliRunner().invoke(app, [*shlex.split(line)[1:], "--registry", str(folder)])
        assert result.exit_code == 0, (line, result.output)
    assert (tmp_path / "strip_2026" / "data" / "gaps.xpt").is_file()


def test_every_level_is_explained() -> None:
    text = PAGE.read_text(encoding="utf-8")
    header = next(line for line in text.splitlines() if line.startswith("| |"))
    assert [cell.strip() for cell in header.strip("|").split("|")][1:] == [level.value for level in columns.Level]
