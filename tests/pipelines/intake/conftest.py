"""A registry to take files in, and files of sound rows."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest

from pipelines.intake import IntakeReport, run_intake
from registry import open_registry
from tests.pipelines.intake.sound_rows import KEY_OF, SOUND, TODAY, numbered, write_csv

Take = Callable[..., IntakeReport]


@pytest.fixture
def take(empty_registry: Path) -> Take:
    """Take files into the registry, as of TODAY."""

    def take_in(*paths: Path, today: date = TODAY, as_type: str | None = None) -> IntakeReport:
        with open_registry(empty_registry, read_only=False) as registry:
            return run_intake(registry, paths, today=today, as_type=as_type, received_by="test")

    return take_in


@pytest.fixture
def sound_files(tmp_path: Path) -> dict[str, Path]:
    """One file a record type: three families of rows that belong together, and two declarations."""
    families = range(1, 4)
    files = {
        record: write_csv(tmp_path / "sound" / f"{record}.csv", [numbered(record, number) for number in families])
        for record in KEY_OF
    }
    declarations = [SOUND["site_period"], SOUND["site_period"] | {"site_code": "B"}]
    return files | {"site_period": write_csv(tmp_path / "sound" / "site_period.csv", declarations)}
