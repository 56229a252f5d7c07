"""What several tests only read, made once a session: the workers of a run share it."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from filelock import FileLock


def made_once(places: pytest.TempPathFactory, name: str, make: Callable[[Path], object]) -> Path:
    """The folder that `make` fills; whoever would change it takes a copy.

    name: of the folder, the same for all who mean the same content, and for nobody else.
    make: given the path of a folder that is not there yet.
    """
    place = places.getbasetemp()
    shared = (place.parent if "PYTEST_XDIST_WORKER" in os.environ else place) / "made_once"
    shared.mkdir(exist_ok=True)
    folder, begun = shared / name, shared / f"{name}.begun"
    with FileLock(shared / f"{name}.lock"):
        if not folder.exists():
            shutil.rmtree(begun, ignore_errors=True)
            make(begun)
            begun.rename(folder)
    return folder
