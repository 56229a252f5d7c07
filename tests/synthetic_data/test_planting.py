"""Planted mistakes: listed where they are, found by the check that the list names, and nothing else is touched."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import polars as pl
import pytest

from pipelines.held_back import entries
from pipelines.intake import run_intake
from registry import open_registry, start_registry
from registry.definition import RECORD_TYPES, ROW_CHECKS, Severity
from synthetic_data import Synthesised
from synthetic_data._mistakes import MISTAKES

WARNINGS = {"unlikely_value"} | {
    rule.name for record in RECORD_TYPES for rule in record.rules if rule.severity is Severity.WARN
}


@pytest.fixture(scope="module")
def planted(spoilt: Synthesised) -> pl.DataFrame:
    return pl.read_csv(spoilt.folder / "planted_errors.csv")


def test_every_mistake_names_a_check_that_exists() -> None:
    rules = set(ROW_CHECKS) | {rule.name for record in RECORD_TYPES for rule in record.rules}
    assert {mistake.rule for mistake in MISTAKES} <= rules


def test_every_kind_of_mistake_was_planted(planted: pl.DataFrame) -> None:
    listed = set(planted.select("field", "mistake", "rule").unique().rows())
    assert listed == {(mistake.field, mistake.kind, mistake.rule) for mistake in MISTAKES}


def test_the_share_asked_for(spoilt: Synthesised, planted: pl.DataFrame) -> None:
    """A key used twice spoils two rows, so somewhat more than the share may be listed."""
    rows = sum(count for record, count in spoilt.rows.items() if record != "site_period")
    assert spoilt.planted == planted.height
    assert 0.045 * rows < planted.height < 0.06 * rows


def test_a_row_is_listed_once(planted: pl.DataFrame) -> None:
    assert planted.select("file", "row_number").is_duplicated().sum() == 0


def test_only_the_listed_rows_differ(written: Synthesised, spoilt: Synthesised, planted: pl.DataFrame) -> None:
    for path in written.files:
        if path.suffix != ".csv":
            continue
        name = path.relative_to(written.folder).as_posix()
        before = pl.read_csv(path, infer_schema=False)
        after = pl.read_csv(spoilt.folder / name, infer_schema=False)
        differs = pl.select(
            pl.any_horizontal(before[column].ne_missing(after[column]) for column in before.columns)
        ).to_series()
        changed = set((differs.arg_true() + 1).to_list())
        listed = planted.filter(pl.col("file") == name)
        repeated = set(listed.filter(pl.col("rule") == "duplicate_key")["row_number"].to_list())
        assert changed <= set(listed["row_number"].to_list())
        # of two rows with one key, the one before stays as it was
        assert set(listed["row_number"].to_list()) - repeated <= changed


@pytest.mark.slow
def test_intake_finds_each_planted_mistake_and_no_other(
    spoilt: Synthesised, planted: pl.DataFrame, tmp_path: Path
) -> None:
    start_registry(tmp_path / "registry", spoilt.sites, spoilt.surgeons, "Test practice")
    with open_registry(tmp_path / "registry", read_only=False) as registry:
        folders = [spoilt.folder / site for site in spoilt.sites]
        report = run_intake(registry, folders, today=date(2026, 10, 15), received_by="test")
        held = pl.DataFrame(
            [
                (entry.file, entry.row, reason.rule)
                for entry in entries(registry, intake_id=report.intake_id)
                for reason in entry.reasons
            ],
            schema=["file", "row_number", "rule"],
            orient="row",
        )
    place = ["file", "row_number"]
    should_be_held = planted.filter(~pl.col("rule").is_in(WARNINGS))
    missed = should_be_held.join(held, on=[*place, "rule"], how="anti")
    assert missed.rows() == []
    not_planted = held.join(planted, on=place, how="anti")
    assert set(not_planted["rule"]) <= {"unknown_patient", "unknown_session"}
    kept = planted.filter(pl.col("rule").is_in(WARNINGS)).join(held, on=place, how="semi")
    assert kept.rows() == []
