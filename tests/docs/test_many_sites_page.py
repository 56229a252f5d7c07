"""The page on many sites: its SQL gives the same figures, its commands run, its table of the file is whole."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import duckdb
import polars as pl
import pytest
from typer.testing import CliRunner

from pipelines import complication_incidence, graft_survival, next_session_causes, time_to_next_session
from pipelines.site_counts import DEFAULT_FEWEST, SiteCounts
from registry.store import open_registry, start_registry
from reports.command_line import app
from synthetic_data import SITES, SURGEONS, simulate
from tests.small_registry import load_frames

PAGE = (Path(__file__).parents[2] / "docs" / "many_sites.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"```sql\n(.*?)```", PAGE, re.DOTALL)
COMMANDS = re.findall(r"^graftledger (.*)$", PAGE, re.MULTILINE)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder in which the page is followed, with a registry of 300 patients."""
    monkeypatch.chdir(tmp_path)
    start_registry(tmp_path / "registry", SITES, SURGEONS, "Test practice")
    with open_registry(tmp_path / "registry", read_only=False) as registry:
        load_frames(registry, simulate(300, 3).frames)
    return tmp_path


def test_the_same_sql_over_parquet_gives_the_same_figures(folder: Path) -> None:
    start_registry(folder / "all", SITES, SURGEONS, "All sites")
    (folder / "records").mkdir()
    for block in BLOCKS:
        with duckdb.connect() as connection:
            connection.execute(block)
    assert len(list((folder / "records" / "session").glob("site=*/year=*/*.parquet"))) > 10
    with open_registry(folder / "registry") as one, open_registry(folder / "all") as other:
        for analysis in (time_to_next_session, next_session_causes, complication_incidence, graft_survival):
            expected = analysis(one, by=("site_code",))
            assert any(figure.estimate for figure in expected)
            assert analysis(other, by=("site_code",)) == expected


def test_commands_of_the_page_run(folder: Path) -> None:
    """One registry stands for both practices: the second file is that of a registry of other sites."""
    codes = [f"FAR-{number}" for number in range(len(SITES))]
    start_registry(folder / "far", codes, SURGEONS, "Another practice")
    with open_registry(folder / "far", read_only=False) as registry:
        frames = {
            name: frame.with_columns(pl.col("site_code").replace(dict(zip(SITES, codes, strict=True))))
            if "site_code" in frame.columns
            else frame
            for name, frame in simulate(200, 4).frames.items()
        }
        load_frames(registry, frames)
    export, pool = COMMANDS
    run = CliRunner()
    done = run.invoke(app, [*shlex.split(export), "--registry", "registry"])
    assert done.exit_code == 0, done.output
    theirs = ["counts", "export", "theirs.json", "--by", "technique", "--registry", "far"]
    assert run.invoke(app, theirs).exit_code == 0
    done = run.invoke(app, shlex.split(pool))
    assert done.exit_code == 0, done.output
    assert (folder / "pooled.json").is_file()
    again = run.invoke(app, shlex.split(pool))
    assert again.exit_code == 1
    assert "already" in again.output


def test_every_part_of_the_file_is_on_the_page() -> None:
    table = PAGE.split("| part | content |")[1].split("\n\n")[0]
    named = set(re.findall(r"`([a-z_]+)`", "\n".join(line.split("|")[1] for line in table.splitlines() if "|" in line)))
    assert named == {*SiteCounts.model_fields, "checksum"}


def test_the_numbers_are_those_of_the_program() -> None:
    assert f"`--fewest {DEFAULT_FEWEST}` (unless set otherwise)" in PAGE
