"""Records in Parquet by site and year: written whole for their owner alone, and read as the registry they come from."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pytest

from pipelines import (
    complication_incidence,
    complications,
    graft_survival,
    next_session_causes,
    time_to_next_session,
)
from pipelines.numbered_records import numbered_records
from pipelines.site_counts import counts_text, gather_counts
from registry import GraftledgerError, Registry, open_registry, start_registry
from registry.backup import back_up
from registry.parquet_records import ABOUT_FILE, registry_over, write_parquet_records
from registry.settings import SETTINGS_FILE
from registry.snapshot import computed_sums, snapshot_id, store_sums
from registry.verification import verify
from reports.web.server import first_link
from synthetic_data import SITES, SURGEONS, simulate
from tests.small_registry import load_frames

ANALYSES: tuple[Callable[..., Any], ...] = (
    time_to_next_session,
    next_session_causes,
    complications,
    complication_incidence,
    graft_survival,
)
NORTH, SOUTH = SITES[:2], SITES[2:]


def registry_of(folder: Path, frames: dict[str, pl.DataFrame], sites: tuple[str, ...] = tuple(SITES)) -> Path:
    start_registry(folder, sites, SURGEONS, "Test practice")
    with open_registry(folder, read_only=False) as registry:
        load_frames(registry, frames)
        store_sums(registry.connection, computed_sums(registry.connection))
    return folder


def of_sites(frames: dict[str, pl.DataFrame], sites: tuple[str, ...]) -> dict[str, pl.DataFrame]:
    """The records of patients of some sites, and what these sites declare."""
    patients = frames["patient"].filter(pl.col("site_code").is_in(sites))
    sessions = frames["session"].join(patients, on="patient_key", how="semi")
    kept = {"patient": patients, "session": sessions}
    kept["site_period"] = frames["site_period"].filter(pl.col("site_code").is_in(sites))
    return kept | {
        name: frame.join(sessions, on="session_key", how="semi") for name, frame in frames.items() if name not in kept
    }


@pytest.fixture(scope="module")
def frames() -> dict[str, pl.DataFrame]:
    return dict(simulate(400, 3).frames)


@pytest.fixture(scope="module")
def whole(frames: dict[str, pl.DataFrame], tmp_path_factory: pytest.TempPathFactory) -> Path:
    return registry_of(tmp_path_factory.mktemp("whole") / "registry", frames)


@pytest.fixture(scope="module")
def written(whole: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The whole registry in one folder of Parquet; tests that change it take a copy."""
    folder = tmp_path_factory.mktemp("written") / "records [all], *"  # what a pattern of names could take amiss
    with open_registry(whole) as registry:
        counted = write_parquet_records(registry, folder)
        assert counted["patient"] == 400
    return folder


def everything(registry: Registry) -> list[Any]:
    figures = [analysis(registry, by=("site_code",)) for analysis in ANALYSES]
    assert all(any(figure.estimate for figure in one) for one in figures)
    return [*figures, counts_text(gather_counts(registry, by=("technique",), exact_days=True, fewest=1))]


def test_figures_are_those_of_the_registry(whole: Path, written: Path) -> None:
    with open_registry(whole) as one, open_registry(written) as other:
        assert everything(other) == everything(one)
        assert other.snapshot == one.snapshot == snapshot_id(computed_sums(other.connection))
        assert other.data_date == one.data_date
        with numbered_records(other):  # as within an audit
            numbered = graft_survival(other)
        assert numbered == graft_survival(one)


def test_two_sites_folders_are_one_registry(frames: dict[str, pl.DataFrame], whole: Path, tmp_path: Path) -> None:
    """Patients divided between two registries by site; a session at a site of the other stays with its patient."""
    lake = tmp_path / "lake"
    for name, sites in (("north", NORTH), ("south", SOUTH)):
        own = registry_of(tmp_path / name, of_sites(frames, tuple(sites)))
        settings = own / SETTINGS_FILE
        settings.write_text(settings.read_text().replace(listed(SITES), listed(sites)))
        with open_registry(own) as registry:
            write_parquet_records(registry, lake / name)
    shutil.copy(whole / SETTINGS_FILE, lake)
    with open_registry(whole) as one, open_registry(lake) as other:
        assert everything(other) == everything(one)
        assert other.snapshot == one.snapshot
    shutil.copytree(lake / "south", lake / "again")
    refused(lake, "would count twice")
    shutil.rmtree(lake / "again")
    shutil.copy(lake / "north" / SETTINGS_FILE, lake)
    refused(lake, f"its site {SOUTH[0]} is not in settings.toml")


def listed(sites: Any) -> str:
    return "sites = [" + ", ".join(f'"{site}"' for site in sites) + "]"


def refused(folder: Path, words: str) -> None:
    with pytest.raises(GraftledgerError, match=words), open_registry(folder):
        pass


def test_a_connection_of_ones_own_reads_them_at_an_address(written: Path, whole: Path, tmp_path: Path) -> None:
    """As from object storage, whose extension cannot be loaded here: the address is a folder. Tried on such storage by
    hand."""
    place = tmp_path / "bucket" / "north"
    shutil.copytree(written, place)
    with open_registry(whole) as registry, duckdb.connect() as connection:
        over = registry_over(connection, str(place.parent / "*"), place / SETTINGS_FILE)
        assert over.snapshot == registry.snapshot
        for analysis in ANALYSES:
            assert analysis(over) == analysis(registry)
    with duckdb.connect() as connection, pytest.raises(GraftledgerError, match=r"no records in Parquet.*write-parquet"):
        registry_over(connection, str(tmp_path), place / SETTINGS_FILE)


def test_files_lie_by_site_and_year_for_their_owner_alone(written: Path) -> None:
    """A visit lies under the year of its session: the year in its path is not that of the visit for all."""
    paths = [written, *written.rglob("*")]
    assert {path.stat().st_mode & 0o777 for path in paths if path.is_dir()} == {0o700}
    assert {path.stat().st_mode & 0o777 for path in paths if path.is_file()} == {0o600}
    files = [path.relative_to(written) for path in paths if path.suffix == ".parquet"]
    assert {path.parts[1] for path in files} == {f"site={site}" for site in SITES}
    assert {path.as_posix() for path in files} == set(json.loads((written / ABOUT_FILE).read_text())["files"])
    visits = [
        (pl.read_parquet(path, columns=["visited_on"], hive_partitioning=False, glob=False), path.parent.name)
        for path in written.glob("visit/*/*/*.parquet")
    ]
    later = pl.concat(days.to_series().dt.year() - int(name.removeprefix("year=")) for days, name in visits)
    assert later.min() == 0
    assert later.max() > 0


def test_record_types_without_a_row(tmp_path: Path, frames: dict[str, pl.DataFrame]) -> None:
    few = {name: frame.clear() if name in ("complication", "graft_count") else frame for name, frame in frames.items()}
    own = registry_of(tmp_path / "registry", few)
    with open_registry(own) as registry:
        write_parquet_records(registry, tmp_path / "records")
        with open_registry(tmp_path / "records") as other:
            assert complications(other) == complications(registry)
            assert graft_survival(other) == graft_survival(registry)


def test_it_can_only_be_read_as_it_is(written: Path, tmp_path: Path) -> None:
    with pytest.raises(GraftledgerError, match="can only be read"), open_registry(written, read_only=False):
        pass
    with pytest.raises(GraftledgerError, match="can only be read"), open_registry(written, as_of_intake=1):
        pass
    with open_registry(written) as registry:
        assert "not a registry" in verify(registry)[0].what
    with pytest.raises(GraftledgerError, match="not a registry"):
        back_up(written, tmp_path / "backup.tar")
    with pytest.raises(GraftledgerError, match="not a registry"):
        first_link(written)


def test_nothing_half_written(whole: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "there").mkdir()
    with open_registry(whole) as registry:
        with pytest.raises(GraftledgerError, match="there already"):
            write_parquet_records(registry, tmp_path / "there")

        def full(*paths: Any) -> None:
            raise OSError(28, "No space left on device")

        monkeypatch.setattr(shutil, "copyfile", full)
        with pytest.raises(GraftledgerError, match="disk is full"):
            write_parquet_records(registry, tmp_path / "new")
    assert [path.name for path in tmp_path.iterdir()] == ["there"]


def test_what_is_missing_or_damaged_is_told(written: Path, tmp_path: Path) -> None:
    folder = tmp_path / "records"
    shutil.copytree(written, folder)
    file = max(folder.glob("visit/*/*/*.parquet"), key=lambda path: path.stat().st_size)
    content = file.read_bytes()
    file.write_bytes(content[:100] + bytes(len(content) - 100))
    with pytest.raises(GraftledgerError, match="damaged"), open_registry(folder) as registry:
        complications(registry)
    file.write_bytes(content[:-1])
    refused(folder, "1 of its .* files are missing or have another size")
    file.unlink()
    refused(folder, "1 of its .* files are missing or have another size")
    about = json.loads((folder / ABOUT_FILE).read_text())
    (folder / ABOUT_FILE).write_text(json.dumps({**about, "format": 2}))
    refused(folder, "newer version")
    (folder / ABOUT_FILE).write_text("[]")
    refused(folder, "does not tell of records")
