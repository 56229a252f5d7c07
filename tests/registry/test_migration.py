"""A registry of every earlier schema version opens, reads, is written to and verifies. Kept files: tests/reference.

Expected figures and snapshots are what the program of that time said (*other software*, an older one).
"""

from __future__ import annotations

import json
import shutil
import tarfile
from datetime import date
from pathlib import Path
from typing import Any

import duckdb
import pytest

from pipelines import FigureSet, time_to_next_session
from pipelines.cohorts import cohort_flow, define, list_cohorts, store_cohort
from pipelines.exports import list_exports
from pipelines.intake import run_intake
from pipelines.patients import erase_patient
from registry.backup import back_up, restore
from registry.database_file import DATABASE_FILE
from registry.store import SCHEMA_VERSION, Registry, open_registry
from registry.verification import verify

KEPT = Path(__file__).parents[1] / "reference" / "registries"
VERSIONS = (1, 2, 3, 4)
TODAY = date(2026, 11, 28)
AT_DAYS = (365, 730, 1095, 1826, 3652)


@pytest.fixture(params=VERSIONS)
def version(request: pytest.FixtureRequest) -> int:
    number: int = request.param
    return number


@pytest.fixture
def kept(version: int, tmp_path: Path) -> Path:
    """The folder with the registry of that version, and what its program said of it."""
    with tarfile.open(KEPT / f"version_{version}.tar.gz") as archive:
        archive.extractall(tmp_path / "kept", filter="data")
    return tmp_path / "kept"


def said(kept: Path) -> dict[str, Any]:
    content: dict[str, Any] = json.loads((kept / "figures.json").read_text(encoding="utf-8"), parse_float=told)
    return content


def told(number: str) -> float:
    """To twelve digits: the last ones differ between processors."""
    return float(f"{float(number):.12g}")


def stored_version(folder: Path) -> int:
    with duckdb.connect(str(folder / DATABASE_FILE), read_only=True) as connection:
        return int(connection.execute("select schema_version from registry_info").fetchall()[0][0])


def content(folder: Path) -> tuple[str, list[dict[str, Any]]]:
    """Snapshot and figures, as JSON holds them."""
    with open_registry(folder) as registry:
        figures = time_to_next_session(registry, by=("site_code",), at_days=AT_DAYS)
        return registry.snapshot, json.loads(FigureSet({}, figures).to_json(), parse_float=told)["figures"]


def expected(kept: Path) -> tuple[str, list[dict[str, Any]]]:
    was = said(kept)
    measures = [figure for figure in was["figures"] if figure["measure"] == "next_session_probability"]
    return was["meta"]["snapshot"], measures


def brought_up_to_date(folder: Path) -> None:
    with open_registry(folder, read_only=False):
        pass


def row_as_delivered(registry: Registry, key: str, **changes: str) -> str:
    """A patient's row as a CSV file, with some fields changed."""
    query = "select * exclude (intake_id) from patient where patient_key = $key"
    (row,) = registry.connection.sql(query, params={"key": key}).pl().rows(named=True)

    def text(value: Any) -> str:
        if isinstance(value, bool):
            return "yes" if value else "no"
        return ";".join(value) if isinstance(value, list) else "" if value is None else str(value)

    values = {name: text(value) for name, value in row.items()} | changes
    return f"{','.join(values)}\n{','.join(values.values())}\n"


def test_every_earlier_version_is_kept() -> None:
    missing = set(range(1, SCHEMA_VERSION)) - set(VERSIONS)
    assert not missing, "keep a registry of each version before this one: tests/reference/registries/make.sh"


def test_it_is_read_as_its_own_program_read_it(kept: Path, version: int) -> None:
    folder = kept / "registry"
    assert stored_version(folder) == version
    before = (folder / DATABASE_FILE).read_bytes()
    assert content(folder) == expected(kept)
    with open_registry(folder) as registry:
        assert verify(registry) == ()
        assert len(list_cohorts(registry)) == (0 if version == 1 else 1)
        assert list_exports(registry) == ()
    assert (folder / DATABASE_FILE).read_bytes() == before, "reading alone changes nothing"


def test_it_is_the_same_once_it_is_up_to_date(kept: Path) -> None:
    folder = kept / "registry"
    brought_up_to_date(folder)
    assert stored_version(folder) == SCHEMA_VERSION
    assert content(folder) == expected(kept)
    with open_registry(folder) as registry:
        assert verify(registry) == ()


def test_up_to_date_it_has_the_tables_of_a_new_one(kept: Path, empty_registry: Path) -> None:
    def tables(folder: Path) -> list[tuple[Any, ...]]:
        with duckdb.connect(str(folder / DATABASE_FILE), read_only=True) as connection:
            return connection.execute(
                "select table_name, column_name, data_type, is_nullable from duckdb_columns() "
                "where not internal order by all"
            ).fetchall()

    brought_up_to_date(kept / "registry")
    assert tables(kept / "registry") == tables(empty_registry)


def test_it_is_written_to(kept: Path) -> None:
    """A correction, an erasure, a cohort and an earlier state; all verify afterwards."""
    folder = kept / "registry"
    with open_registry(folder, read_only=False) as registry:
        query = "select patient_key from patient where smoking is distinct from 'former' order by all limit 2"
        (corrected,), (erased,) = registry.connection.execute(query).fetchall()
        path = kept / "patient.csv"
        path.write_text(row_as_delivered(registry, corrected, smoking="former"), encoding="utf-8")
        report = run_intake(registry, [path], today=TODAY, received_by="test")
        assert report.total().corrected == 1, report
        store_cohort(registry, "all", define(registry.settings), defined_by="test")
    erase_patient(folder, erased, received_by="test", today=TODAY)
    with open_registry(folder) as registry:
        assert verify(registry) == ()
        assert registry.snapshot != expected(kept)[0]
        left = registry.connection.execute(
            "select smoking from patient where patient_key in (?, ?)", [corrected, erased]
        )
        assert left.fetchall() == [("former",)]
        assert "all" in {cohort.name for cohort in list_cohorts(registry)}
        assert cohort_flow(registry, define(registry.settings))[-1].remaining > 10
    with open_registry(folder, as_of_intake=1) as registry:
        assert registry.erased_since == 2, "the one that its own program erased, and this one"
        sites = registry.connection.execute("select distinct site_code from patient").fetchall()
        assert len(sites) == 1, "the first delivery was that of one site"


def test_it_is_backed_up_and_restored(kept: Path) -> None:
    made = back_up(kept / "registry", kept / "backup.tar")
    shutil.rmtree(kept / "registry")
    restore(made.path, kept / "registry")
    assert content(kept / "registry") == expected(kept)
    with open_registry(kept / "registry") as registry:
        assert verify(registry) == ()
