"""A registry of fictional patients with a cohort, and exports of it."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from pipelines.cohorts import define, store_cohort
from pipelines.exports import Exported, Level, export_cohort
from registry import open_registry
from registry.snapshot import computed_sums, store_sums
from registry.store import start_registry
from synthetic_data import SITES, SURGEONS, simulate
from tests.small_registry import load_frames

Export = Callable[..., Exported]
ALL_FORMATS = ("csv", "parquet", "dta", "sav", "xpt")


@pytest.fixture(scope="session")
def clinics(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder of a registry of 1,500 fictional patients with the cohort `all`; tests must not change it."""
    folder = tmp_path_factory.mktemp("clinics") / "registry"
    start_registry(folder, SITES, SURGEONS, "Test practice")
    with open_registry(folder, read_only=False) as registry:
        load_frames(registry, simulate(1_500, 11).frames)
        store_sums(registry.connection, computed_sums(registry.connection))
        store_cohort(registry, "all", define(registry.settings), defined_by="me")
    return folder


@pytest.fixture
def own_clinics(clinics: Path, tmp_path: Path) -> Path:
    """A copy of it that a test may change."""
    return shutil.copytree(clinics, tmp_path / "registry")


@pytest.fixture(scope="session")
def exports(clinics: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[Level, Exported]]:
    """The cohort at each level, in every format, with a seed."""
    place = tmp_path_factory.mktemp("exports")
    folder = shutil.copytree(clinics, place / "registry")
    done = {}
    for level in Level:
        with open_registry(folder, read_only=False) as registry:
            done[level] = export_cohort(
                registry, "all", place / level, level=level, formats=ALL_FORMATS, seed=7, exported_by="me"
            )
    yield done
    shutil.rmtree(place)
