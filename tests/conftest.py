"""Fixtures that all tests may use."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import settings

from registry.store import start_registry

# The same examples every time, and none fails because the machine is busy.
settings.register_profile("repeatable", deadline=None, derandomize=True)
settings.load_profile("repeatable")


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--full-faults", action="store_true", help="All kills and mangled files of make faults.")


@pytest.fixture(scope="session")
def full_faults(pytestconfig: pytest.Config) -> bool:
    """Whether to make as many faults as `make faults` promises; else the part of them that every change must pass."""
    return bool(pytestconfig.getoption("--full-faults"))


@pytest.fixture
def empty_registry(tmp_path: Path) -> Path:
    """Folder of a new registry with sites A and B and surgeons S1 and S2."""
    folder = tmp_path / "registry"
    start_registry(folder, ["A", "B"], ["S1", "S2"], "Test practice")
    return folder
