"""Frozen case-mix models: the same numbers again, never changed, and nothing of a single patient."""

from __future__ import annotations

import shutil
from datetime import date
from pathlib import Path

import pytest

from pipelines.comparison.reviews import outlier_reviews
from pipelines.comparison.storing import (
    fit_models,
    freeze_models,
    frozen_model,
    list_models,
    load_models,
    reference_period,
)
from pipelines.patients import erase_patient
from registry.errors import GraftledgerError
from registry.store import open_registry

PERIOD = (date(2019, 1, 1), date(2023, 12, 31))
TABLES = ("case_mix_model", "case_mix_measure", "case_mix_fit", "case_mix_baseline")


@pytest.fixture
def folder(practice_folder: Path, tmp_path: Path) -> Path:
    """A copy that may be written to."""
    return Path(shutil.copytree(practice_folder, tmp_path / "copy"))


def test_a_frozen_model_is_the_model_that_was_fitted(folder: Path) -> None:
    with open_registry(folder, read_only=False) as registry:
        frozen = freeze_models(registry, *PERIOD, frozen_by="test")
        loaded, fitted = load_models(registry, frozen.model_id), fit_models(registry, *PERIOD)
        assert frozen.snapshot == registry.snapshot
    assert list(loaded) == list(fitted)
    for name, model in fitted.items():
        again = loaded[name]
        assert (again.factors, again.checks) == (model.factors, model.checks)
        assert dict(again.not_counted) == dict(model.not_counted)
        assert list(again.without) == list(model.without)
        for one, other in ((again.whole, model.whole), *((again.without[c], model.without[c]) for c in model.without)):
            assert one is not None
            assert other is not None
            assert vars(one) == vars(other)


def test_freezing_again_adds_a_number_and_changes_none(folder: Path) -> None:
    with open_registry(folder, read_only=False) as registry:
        first = freeze_models(registry, *PERIOD, frozen_by="test")
        before = load_models(registry, 1)
        second = freeze_models(registry, date(2018, 1, 1), date(2022, 12, 31), frozen_by="test")
        assert (first.model_id, second.model_id) == (1, 2)
        assert list_models(registry) == (first, second)
        after = load_models(registry, 1)
        assert {name: vars(model.whole) for name, model in before.items() if model.whole} == {
            name: vars(model.whole) for name, model in after.items() if model.whole
        }
        with pytest.raises(GraftledgerError, match="There are models 1 to 2"):
            frozen_model(registry, 3)


def test_an_erasure_names_the_models_that_counted_the_patient_and_finds_no_key_in_them(folder: Path) -> None:
    with open_registry(folder, read_only=False) as registry:
        connection = registry.connection
        # the event that brought the records, which the fixture put into the tables past the intake
        connection.execute("insert into intake select 1, 'files', now()::timestamp, 'test', '0', 'a', 'a'")
        freeze_models(registry, *PERIOD, frozen_by="test")
        keys = {
            key
            for column, table in (("patient_key", "patient"), ("session_key", "session"))
            for (key,) in connection.execute(f"select {column} from {table}").fetchall()
        }
        held = " ".join(str(connection.execute(f"from {table}").fetchall()) for table in TABLES)
        assert not any(key in held for key in keys)
        model = {name: vars(one.whole) for name, one in load_models(registry, 1).items() if one.whole}
        patient = connection.execute("select min(patient_key) from patient").fetchall()[0][0]
    done = erase_patient(folder, patient, received_by="test")
    assert [(report.kind, report.period) for report in done.erased.reports] == [("case-mix model", "1")]
    with open_registry(folder) as registry:
        assert {name: vars(one.whole) for name, one in load_models(registry, 1).items() if one.whole} == model


def test_refusals(folder: Path) -> None:
    with open_registry(folder, read_only=False) as registry:
        with pytest.raises(GraftledgerError, match="ends before it begins"):
            freeze_models(registry, PERIOD[1], PERIOD[0], frozen_by="test")
        with pytest.raises(GraftledgerError, match="nothing was frozen"):
            freeze_models(registry, date(1990, 1, 1), date(1990, 12, 31), frozen_by="test")
        with pytest.raises(GraftledgerError, match="None is frozen yet"):
            load_models(registry, 1)
        assert not list_models(registry)


def test_reference_periods_are_whole_years() -> None:
    """By hand."""
    assert reference_period(date(2026, 9, 30), 3) == (date(2023, 10, 1), date(2026, 9, 30))
    assert reference_period(date(2024, 2, 28), 1)[0] == date(2023, 3, 1)


def test_a_registry_of_an_older_version_opened_for_reading_has_no_model_and_no_review(empty_registry: Path) -> None:
    with open_registry(empty_registry, read_only=False) as registry:
        for table in (*TABLES, "outlier_review", "outlier_review_step"):
            registry.connection.execute(f"drop table {table}")
    with open_registry(empty_registry) as registry:
        assert list_models(registry) == ()
        assert outlier_reviews(registry) == ()
