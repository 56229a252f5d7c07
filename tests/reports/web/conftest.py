"""An application over a small registry, and a browser for each role."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from fastapi import FastAPI

from registry.store import start_registry
from reports.web.access import Role
from tests.reports.web.browsing import Browser, application_over


@pytest.fixture(scope="session")
def new_registry(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A new registry with the accounts of the tests, to be copied: making one takes longer than most tests here."""
    folder = tmp_path_factory.mktemp("new") / "registry"
    start_registry(folder, ["A", "B"], ["S1", "S2"], "Test practice")
    application_over(folder)
    return folder


@pytest.fixture
def empty_registry(new_registry: Path, tmp_path: Path) -> Path:
    """Folder of a new registry with sites A and B and surgeons S1 and S2, and an account a role."""
    return Path(shutil.copytree(new_registry, tmp_path / "registry"))


@pytest.fixture
def application(empty_registry: Path) -> FastAPI:
    return application_over(empty_registry)


@pytest.fixture
def browser(application: FastAPI) -> Callable[[Role | None], Browser]:
    """Makes a browser of one role; None for nobody."""
    return lambda role: Browser(application, role)


@pytest.fixture(autouse=True)
def _quick_hashes(monkeypatch: pytest.MonkeyPatch) -> None:
    """Hashes that cost next to nothing; `test_accounts` looks at the real ones."""
    from argon2 import PasswordHasher

    quick = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
    monkeypatch.setattr("reports.web.passwords._hasher", lambda: quick)


@pytest.fixture(scope="session")
def shared_application(tmp_path_factory: pytest.TempPathFactory) -> FastAPI:
    """One application over an empty registry, for tests that change nothing that another looks at."""
    folder = tmp_path_factory.mktemp("shared") / "registry"
    start_registry(folder, ["A"], ["S1", "S2"], "Test practice")
    return application_over(folder)


@pytest.fixture(scope="session")
def shared_browser(shared_application: FastAPI) -> Callable[[Role | None], Browser]:
    """Makes a browser of one role over it; each role has one for all tests."""
    made = {role: Browser(shared_application, role) for role in (None, *Role)}
    return lambda role: made[role]
