"""Cohorts with conditions: what happened after the last day of follow-up, and conditions that name a site.

Expected: *other software*, the figures of the registry as of that day; *by hand* for the rest.
"""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path

import polars as pl
import pytest

from pipelines import time_to_next_session
from pipelines.cohorts import define, store_cohort
from pipelines.exports import Level, export_cohort
from pipelines.groups import choose
from registry import open_registry
from tests.pipelines.exports.test_survival_is_the_same import kaplan_meier

LAST = date(2022, 6, 30)


def test_what_happened_later_is_not_in_it(own_clinics: Path, tmp_path: Path) -> None:
    from frictionless import Package

    with open_registry(own_clinics, read_only=False) as registry:
        store_cohort(registry, "early", define(registry.settings, followed_to=LAST, first_here=True), defined_by="me")
        done = export_cohort(registry, "early", tmp_path / "x", level=Level.LIMITED, exported_by="me")
        consenting = choose(registry.settings, {"consent_scope": ["audit_and_research"]})
        (figure,) = time_to_next_session(registry, by=(), at_days=(730,), chosen=consenting, as_of=LAST)
    data = done.folder / "data"
    for table, column in (
        ("sessions", "performed_on"),
        ("visits", "visited_on"),
        ("gaps", "stop_on"),
        ("patients", "last_contact_on"),
        ("patients", "died_on"),
    ):
        days = pl.read_csv(data / f"{table}.csv", infer_schema_length=None).get_column(column).str.to_date()
        assert days.drop_nulls().max() <= LAST  # type: ignore[operator]
    gaps = pl.read_csv(data / "gaps.csv", infer_schema_length=None).with_columns(pl.col("event").cast(pl.Boolean))
    share, n, events, _ = kaplan_meier(gaps.filter(pl.col("gap_number") == 1), 730)
    assert (n, events) == (figure.n, figure.events)
    assert share == pytest.approx(figure.estimate, abs=1e-12)
    assert Package(str(done.folder / "datapackage.json")).validate().valid


def test_a_site_in_a_condition_is_not_named_at_the_level_anonymous(own_clinics: Path, tmp_path: Path) -> None:
    with open_registry(own_clinics, read_only=False) as registry:
        site = registry.settings.sites[0]
        made = define(registry.settings, where={"site_code": [site], "sex": ["male"]})
        store_cohort(registry, "own", made, defined_by="me")
        for level, told in ((Level.LIMITED, site), (Level.ANONYMOUS, "withheld")):
            out = tmp_path / level
            export_cohort(registry, "own", out, level=level, exported_by="me")
            stored = json.loads((out / "cohort.json").read_text(encoding="utf-8"))["definition"]["where"]
            assert stored == {"sex": ["male"], "site_code": [told]}
    everything = [path.read_text(encoding="utf-8") for path in out.rglob("*") if path.is_file()]
    assert not any(site in text for text in everything)


def test_without_sites(own_clinics: Path, tmp_path: Path) -> None:
    with open_registry(own_clinics, read_only=False) as registry:
        out = tmp_path / "x"
        export_cohort(registry, "all", out, level=Level.LIMITED, with_sites=False, exported_by="me")
    columns = pl.read_csv(out / "data" / "sessions.csv", infer_schema_length=None).columns
    assert not {"site_code", "surgeon_code", "harvest_by", "placed_by"} & set(columns)
    assert "technique" in columns
