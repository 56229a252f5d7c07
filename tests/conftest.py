"""Fixtures that all tests may use."""

from __future__ import annotations

from pathlib import Path

import pytest

from registry.store import start_registry


@pytest.fixture
def empty_registry(tmp_path: Path) -> Path:
    """Folder of a new registry with sites A and B and surgeons S1 and S2."""
    folder = tmp_path / "registry"
    start_registry(folder, ["A", "B"], ["S1", "S2"], "Test practice")
    return folder
