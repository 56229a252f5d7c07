"""A registry to which rows are delivered by record type."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from pipelines.intake import IntakeReport, run_intake
from registry import open_registry
from tests.pipelines.intake.sound_rows import TODAY, Row, write_csv

Deliver = Callable[..., IntakeReport]


@pytest.fixture
def deliver(empty_registry: Path, tmp_path: Path) -> Deliver:
    """Take rows in by record type: each call is one delivery of new files."""
    return deliver_to(empty_registry, tmp_path)


def deliver_to(registry_folder: Path, place: Path) -> Deliver:
    """The same for any registry; the files stand in `place`."""
    calls = iter(range(100))

    def deliver(refile: bool = False, **rows: list[Row]) -> IntakeReport:
        folder = place / f"delivery_{next(calls)}"
        files = [write_csv(folder / f"{record}.csv", lines) for record, lines in rows.items()]
        with open_registry(registry_folder, read_only=False) as registry:
            return run_intake(registry, files, refile=refile, today=TODAY, received_by="test")

    return deliver
