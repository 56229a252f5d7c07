"""The page on many sites: its SQL gives the same figures, its commands run, its table of the file is whole."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import duckdb
import polars as pl
import pytest
from click.testing import Result
from typer.testing import CliRunner

from pipelines.site_counts import DEFAULT_FEWEST, SiteCounts, read_counts
from registry.definition import ELSEWHERE
from registry.settings import settings_text
from registry.snapshot import computed_sums, store_sums
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
        store_sums(registry.connection, computed_sums(registry.connection))
    return tmp_path


@pytest.fixture
def far(folder: Path) -> Path:
    """A registry of other sites."""
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
    return folder / "far"


def run(line: str, *more: str) -> Result:
    return CliRunner().invoke(app, [*shlex.split(line), *more])


def test_commands_on_counts_run(folder: Path, far: Path) -> None:
    """One registry stands for both practices: the second file is that of a registry of other sites."""
    export, pool, *_ = COMMANDS
    done = run(export, "--registry", "registry")
    assert done.exit_code == 0, done.output
    assert run(f"counts export theirs.json --by technique --registry {far.name}").exit_code == 0
    done = run(pool)
    assert done.exit_code == 0, done.output
    assert (folder / "pooled.json").is_file()
    again = run(pool)
    assert again.exit_code == 1
    assert "already" in again.output


def test_commands_and_sql_on_parquet_run(folder: Path, far: Path) -> None:
    """As the page says: each writes its folder, the settings above them list all sites, and both are read as one."""
    _, _, write, figures_of_one, figures_of_all, counts_of_all = COMMANDS
    done = run(write, "--registry", "registry")
    assert done.exit_code == 0, done.output
    assert "not counts" in done.output.replace("\n", " ")
    done = run(f"{figures_of_one} --format json")
    assert done.exit_code == 0, done.output
    assert done.stdout == run(figures_of_one.replace("records/north", "registry") + " --format json").stdout
    assert run(write.replace("north", "south"), "--registry", far.name).exit_code == 0
    codes = [*SITES, *(f"FAR-{number}" for number in range(len(SITES)))]
    (folder / "records" / "settings.toml").write_text(settings_text("All", codes, SURGEONS), encoding="utf-8")
    for command in (figures_of_all, counts_of_all):
        done = run(command)
        assert done.exit_code == 0, done.output
    assert read_counts(folder / "all.json").sites == tuple(sorted(codes))
    (block,) = BLOCKS
    with duckdb.connect() as connection:
        connection.execute(block)
        found = connection.fetchall()
    sessions = [frame.filter(frame["surgeon_code"] != ELSEWHERE) for frame in sessions_of_both()]
    assert sum(count for _, _, count in found) == sum(
        frame.filter(frame["performed_on"].dt.year() >= 2015).height for frame in sessions
    )


def sessions_of_both() -> list[pl.DataFrame]:
    return [simulate(300, 3).frames["session"], simulate(200, 4).frames["session"]]


def test_every_part_of_the_file_is_on_the_page() -> None:
    table = PAGE.split("| part | content |")[1].split("\n\n")[0]
    named = set(re.findall(r"`([a-z_]+)`", "\n".join(line.split("|")[1] for line in table.splitlines() if "|" in line)))
    assert named == {*SiteCounts.model_fields, "checksum"}


def test_the_numbers_are_those_of_the_program() -> None:
    assert f"`--fewest {DEFAULT_FEWEST}` (unless set otherwise)" in PAGE
