"""An empty registry."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from registry.store import Registry
from tests.small_registry import registry_in_memory


@pytest.fixture
def empty() -> Iterator[Registry]:
    with registry_in_memory() as opened:
        yield opened
