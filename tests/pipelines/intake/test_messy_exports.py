"""Exports of two fictional sites, taken in through their mappings: the registry holds what it holds of clean files."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import polars as pl
import pytest

from pipelines.intake import run_intake
from pipelines.mapping import load_mapping
from registry import open_registry, start_registry
from registry.definition import RECORD_TYPES
from synthetic_data import SITES, SURGEONS, synthesise
from synthetic_data.messy_exports import MESSY_SITES, mapping_text, write_messy_export

TODAY = date(2026, 10, 15)


def frames_of(folder: Path) -> dict[str, pl.DataFrame]:
    """A site's files; an empty frame where it sends none."""
    frames = {}
    for record in RECORD_TYPES:
        path = folder / f"{record.name}.csv"
        empty = pl.DataFrame(schema=dict.fromkeys(record.field_names, pl.String))
        frames[record.name] = pl.read_csv(path, infer_schema=False) if path.exists() else empty
    return frames


@pytest.mark.parametrize("patients", [150])
def test_messy_exports_and_clean_files_give_the_same_snapshot(tmp_path: Path, patients: int) -> None:
    synthesise(tmp_path / "clean", patients=patients, seed=6)
    snapshots = []
    for messy in (False, True):
        folder = tmp_path / f"registry_{messy}"
        start_registry(folder, list(SITES), list(SURGEONS), "Test practice")
        with open_registry(folder, read_only=False) as registry:
            for site in MESSY_SITES:
                source, mapping = tmp_path / "clean" / site, None
                if messy:
                    source = tmp_path / f"{site}_export"
                    source.mkdir()
                    write_messy_export(site, frames_of(tmp_path / "clean" / site), source)
                    (tmp_path / f"{site}.toml").write_text(mapping_text(site), encoding="utf-8")
                    mapping = load_mapping(tmp_path / f"{site}.toml", registry.settings)
                report = run_intake(registry, [source], mapping=mapping, today=TODAY, received_by="test")
                # a patient of a third site may be operated on here: those rows wait, and nothing else is held back
                assert report.total().held_back == report.total().waiting
            snapshots.append(registry.snapshot)
            rows = registry.connection.execute("select count(*) from session").fetchall()[0][0]
            assert rows > 0
    assert snapshots[0] == snapshots[1]
