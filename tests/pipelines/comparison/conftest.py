"""A registry of fictional patients, for what needs one."""

from __future__ import annotations

from pathlib import Path

import pytest

from registry.store import open_registry, start_registry
from synthetic_data import SITES, SURGEONS, simulate
from tests.small_registry import load_frames


@pytest.fixture(scope="session")
def practice_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """1,500 fictional patients; read only, since all tests share it."""
    path = tmp_path_factory.mktemp("comparison") / "registry"
    start_registry(path, list(SITES), list(SURGEONS), "Test practice")
    with open_registry(path, read_only=False) as registry:
        load_frames(registry, dict(simulate(1500, 7).frames))
    return path
