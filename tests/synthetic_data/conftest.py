"""Fictional clinics that several tests look at."""

from __future__ import annotations

from pathlib import Path

import pytest

import synthetic_data
from synthetic_data import Simulated, Synthesised


@pytest.fixture(scope="session")
def simulated() -> Simulated:
    return synthetic_data.simulate(2500, 11)


@pytest.fixture(scope="session")
def written(tmp_path_factory: pytest.TempPathFactory) -> Synthesised:
    """Files without planted mistakes."""
    return synthetic_data.synthesise(tmp_path_factory.mktemp("written") / "clinics", patients=1200, seed=5)


@pytest.fixture(scope="session")
def spoilt(tmp_path_factory: pytest.TempPathFactory) -> Synthesised:
    """Files of the same patients, with mistakes planted in one row of twenty."""
    folder: Path = tmp_path_factory.mktemp("spoilt") / "clinics"
    return synthetic_data.synthesise(folder, patients=1200, seed=5, errors=0.05)
