"""Mistakes that the synthetic clinics plant are found, each under the rule it was planted for, and nothing else is."""

from __future__ import annotations

import csv
from pathlib import Path

from pipelines.intake import run_intake
from registry import open_registry, start_registry
from registry.definition import RECORD_TYPES, Severity
from synthetic_data import SITES, SURGEONS, synthesise

FOLLOWS_FROM_THE_PARENT = ("unknown_patient", "unknown_session")
WARNINGS = {rule.name for record in RECORD_TYPES for rule in record.rules if rule.severity is Severity.WARN} | {
    "unlikely_value"
}


def test_every_planted_mistake_is_found_and_no_other(tmp_path: Path) -> None:
    made = synthesise(tmp_path / "clinics", patients=400, seed=5, errors=0.05)
    start_registry(tmp_path / "registry", list(SITES), list(SURGEONS), "Synthetic practice")
    with open_registry(tmp_path / "registry", read_only=False) as registry:
        folders = sorted({path.parent for path in made.files if path.parent != made.folder})
        run_intake(registry, folders, today=made.data_date, received_by="test")
        found = registry.connection.execute(
            "select file_name, row_number, rule from held_back join held_back_row using (held_back_id)"
        ).fetchall()
    with (made.folder / "planted_errors.csv").open(encoding="utf-8") as file:
        planted = [(row["file"], int(row["row_number"]), row["rule"]) for row in csv.DictReader(file)]
    to_be_held_back = {mistake for mistake in planted if mistake[2] not in WARNINGS}
    assert len(to_be_held_back) > 100
    assert to_be_held_back <= set(found)
    rows = {(file_name, row) for file_name, row, _ in planted}
    surplus = {rule for file_name, row, rule in found if (file_name, row) not in rows}
    assert surplus <= set(FOLLOWS_FROM_THE_PARENT)
