"""Fixtures that all tests may use."""

from __future__ import annotations

import functools
import os
import shutil
import sys
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import typer.main
import typer.testing
from hypothesis import settings

from registry.store import start_registry
from tests.made_once import made_once

# As the commands do, before anything loads numpy: with two threads small matrices take five times as long.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# The same examples every time, and none fails because the machine is busy.
settings.register_profile("repeatable", deadline=None, derandomize=True)
settings.load_profile("repeatable")


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--full-faults", action="store_true", help="All kills and mangled files of make faults.")


@pytest.fixture(scope="session")
def full_faults(pytestconfig: pytest.Config) -> bool:
    """Whether to make as many faults as `make faults` promises; else the part of them that every change must pass."""
    return bool(pytestconfig.getoption("--full-faults"))


def _uncounted(act: Callable[..., Any]) -> Callable[..., Any]:
    """The same act, with coverage looking away meanwhile."""

    @functools.wraps(act)
    def acting(*arguments: Any, **named: Any) -> Any:
        tracer = sys.gettrace()
        sys.settrace(None)
        try:
            return act(*arguments, **named)
        finally:
            sys.settrace(tracer)

    return acting


@pytest.fixture(scope="session", autouse=True)
def _great_expectations_uncounted() -> Iterator[None]:
    """Coverage keeps nothing of the libraries, yet following their lines doubled what an intake takes.

    None of our own code runs inside this one.
    """
    if sys.gettrace() is None:
        yield
        return
    with pytest.MonkeyPatch.context() as patch, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        interfaces = _uncounted(__import__)("great_expectations.datasource.fluent.interfaces", fromlist=["Batch"])
        patch.setattr(interfaces.Batch, "validate", _uncounted(interfaces.Batch.validate))
        yield


@pytest.fixture(scope="session", autouse=True)
def _commands_built_once() -> Iterator[None]:
    """Typer's runner builds all commands anew at every call, which took a twelfth of the time of all tests."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("typer.testing._get_command", functools.cache(typer.main.get_command))
        yield


def start_test_registry(folder: Path) -> None:
    start_registry(folder, ["A", "B"], ["S1", "S2"], "Test practice")


@pytest.fixture
def empty_registry(tmp_path: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder of a new registry with sites A and B and surgeons S1 and S2."""
    return shutil.copytree(made_once(tmp_path_factory, "empty_registry", start_test_registry), tmp_path / "registry")
