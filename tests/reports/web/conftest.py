"""An application over a small registry, and a browser for each role."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from fastapi import FastAPI

from reports.web.access import Role
from tests.reports.web.browsing import Browser, application_over


@pytest.fixture
def application(empty_registry: Path) -> FastAPI:
    return application_over(empty_registry)


@pytest.fixture
def browser(application: FastAPI) -> Callable[[Role | None], Browser]:
    """Makes a browser of one role; None for nobody."""
    return lambda role: Browser(application, role)
