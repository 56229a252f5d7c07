"""The model on fictional clinics: against other software on the same rows, and where it must refuse or flag."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import polars as pl
import pytest

from pipelines.next_session_model import NextSessionModel, design, next_session_model
from pipelines.next_session_model.fitting import fit_levels_with_events, fit_model
from pipelines.next_session_model.measures import (
    COMPLETE,
    CONCORDANCE,
    DEATH_COMPETING,
    GAP_TIME,
    HAZARD_RATIO,
    IMPUTED,
    INFLUENCE,
    MISSING,
    MODEL_MEASURE_LABELS,
    OBSERVED,
    PREDICTED,
    PROPORTIONAL_HAZARDS_P,
    TOTAL_TIME,
)
from pipelines.next_session_model.model import _ratio_figure
from pipelines.next_session_model.preparing import prepared
from pipelines.next_session_model.spells import model_spells
from pipelines.regression.cox import fit_cox
from pipelines.regression.spells import Spells
from registry.errors import GraftledgerError
from registry.store import Registry
from synthetic_data import MODEL, SITES, SURGEONS, simulate
from tests.small_registry import load_frames, on, registry_in_memory, small_registry

Frames = dict[str, pl.DataFrame]


@pytest.fixture(scope="module")
def frames() -> Frames:
    return dict(simulate(1500, 41).frames)


@pytest.fixture(scope="module")
def registry(frames: Frames) -> Iterator[Registry]:
    with registry_in_memory(SITES, SURGEONS) as opened:
        load_frames(opened, frames)
        yield opened


@pytest.fixture(scope="module")
def model(registry: Registry) -> NextSessionModel:
    return next_session_model(registry, recurrent=True, sets=3)


def of_patients(frames: Frames, **columns: pl.Expr) -> NextSessionModel:
    """The model of the same clinics with other patient columns."""
    changed = {**frames, "patient": frames["patient"].with_columns(**columns)}
    with registry_in_memory(SITES, SURGEONS) as opened:
        load_frames(opened, changed)
        return next_session_model(opened, sets=2)


def test_every_measure_is_labelled_and_every_analysis_is_there(model: NextSessionModel) -> None:
    assert {figure.measure for figure in model.figures} == set(MODEL_MEASURE_LABELS)
    analyses = {figure.group["analysis"] for figure in model.of(HAZARD_RATIO)}
    assert analyses == {IMPUTED, COMPLETE, GAP_TIME, TOTAL_TIME, DEATH_COMPETING, "curve"}


def test_figures_are_whole(model: NextSessionModel) -> None:
    for figure in model.of(HAZARD_RATIO):
        assert figure.estimate is not None
        assert figure.lower is not None
        assert figure.upper is not None
        assert 0 < figure.lower <= figure.estimate <= figure.upper < math.inf
        assert figure.n >= figure.n_clusters
        assert figure.events
    assert all(0 <= (figure.estimate or 0) <= 1 for figure in model.of(PROPORTIONAL_HAZARDS_P))
    assert {figure.method for figure in model.of(CONCORDANCE)} == {"harrell_c", "uno_c"}
    assert all((figure.estimate or 0) > 0 for figure in model.of(INFLUENCE))


def test_complete_cases_and_left_out_add_up(model: NextSessionModel) -> None:
    imputed, complete = (model.of(HAZARD_RATIO, analysis=name)[0] for name in (IMPUTED, COMPLETE))
    left_out = complete.not_counted["covariate_missing"] + complete.not_counted.get("not_counted", 0)
    assert complete.n + left_out == imputed.n == model.spells
    assert model.complete == model.spells - complete.not_counted["covariate_missing"]
    assert sum(figure.events or 0 for figure in model.of(MISSING)) >= complete.not_counted["covariate_missing"]


def test_predicted_and_seen_stand_in_pairs_and_agree_on_average(model: NextSessionModel) -> None:
    predicted, seen = model.of(PREDICTED), model.of(OBSERVED)
    assert [figure.group for figure in predicted] == [figure.group for figure in seen]
    sizes = [figure.n for figure in predicted]
    mean = [np.average([figure.estimate or 0 for figure in figures], weights=sizes) for figures in (predicted, seen)]
    assert mean[0] == pytest.approx(mean[1], abs=0.03)


def test_other_software_lifelines_on_the_complete_cases(registry: Registry) -> None:
    """Other software: lifelines CoxPHFitter on the very columns, sites as strata; nobody enters late here."""
    from lifelines import CoxPHFitter

    rows = model_spells(registry, every_session=False).rows.filter(pl.col("entry_day") == 0)
    plan = prepared(rows, registry.settings.floor_denominator)
    fits = fit_model(plan.kept(rows), plan, sets=2)
    assert fits.complete is not None
    spells = fits.complete_spells
    frame = pd.DataFrame(spells.x, columns=list(spells.names))
    frame["days"], frame["event"], frame["site"] = spells.exit, spells.event, spells.stratum
    other = CoxPHFitter().fit(frame, "days", "event", strata=["site"], fit_options={"precision": 1e-11})
    np.testing.assert_allclose(fits.complete.coefficients, other.params_.to_numpy(), rtol=1e-4, atol=1e-6)


def test_the_same_records_give_the_same_figures(registry: Registry) -> None:
    first, again = (next_session_model(registry, sets=2).figures for _ in range(2))
    assert first == again


def test_nothing_missing_means_nothing_filled_in(frames: Frames) -> None:
    def every(name: str, value: Any) -> pl.Expr:
        column = pl.col(name)
        return pl.when(column.is_null() | (column == "unknown")).then(pl.lit(value)).otherwise(column).alias(name)

    patients = frames["patient"].with_columns(
        every("sex", "male"),
        every("family_history", "none"),
        pl.col("age_at_first_surgery_years").fill_null(35),
        pl.col("hair_calibre_um").fill_null(68.0),
        pl.col("hair_curl").fill_null("straight"),
        pattern_scale=pl.lit("none"),
        pattern_stage=pl.lit(None, dtype=pl.String),
    )
    sessions = frames["session"].with_columns(pl.col("further_sessions_planned").fill_null(0))
    with registry_in_memory(SITES, SURGEONS) as opened:
        load_frames(opened, {**frames, "patient": patients, "session": sessions})
        model = next_session_model(opened)
    assert model.sets == 0
    assert model.complete == model.spells
    assert not model.of(HAZARD_RATIO, analysis=IMPUTED)
    assert "pattern_stage" in [remark.covariate for remark in model.remarks if remark.kind == "one_value"]


def test_a_covariate_that_is_all_missing_is_told(frames: Frames) -> None:
    model = of_patients(frames, hair_calibre_um=pl.lit(None, dtype=pl.Float64))
    (remark,) = [remark for remark in model.remarks if remark.covariate == "hair_calibre_um"]
    assert remark.kind == "mostly_missing"
    (missing,) = model.of(MISSING, covariate="hair_calibre_um")
    assert missing.estimate == 1.0
    assert not model.of(HAZARD_RATIO, covariate="hair_calibre_um")


def test_a_covariate_that_another_tells_is_left_out_and_told(frames: Frames) -> None:
    """Curl is made to follow sex exactly: one of the two goes."""
    patients = frames["patient"].with_columns(
        sex=pl.when(pl.int_range(pl.len()) % 3 == 0).then(pl.lit("female")).otherwise(pl.lit("male")),
        hair_curl=pl.when(pl.int_range(pl.len()) % 3 == 0).then(pl.lit("curly")).otherwise(pl.lit("straight")),
    )
    model = of_patients({**frames, "patient": patients})
    assert [remark.covariate for remark in model.remarks if remark.kind == "no_estimate"] == ["hair_curl"]
    assert model.of(HAZARD_RATIO, covariate="sex")


def test_few_next_sessions_are_refused_in_plain_words(empty_registry: Path) -> None:
    names = [f"p{number}" for number in range(30)]
    with (
        small_registry(
            empty_registry,
            patient=[
                {"patient_key": name, "age_at_first_surgery_years": 30 + number} for number, name in enumerate(names)
            ],
            session=[{"session_key": name, "patient_key": name} for name in names],
        ) as opened,
        pytest.raises(GraftledgerError, match=r"^0 next session\(s\) were seen among 30 patient\(s\)"),
    ):
        next_session_model(opened)


def test_no_patient_is_refused_in_plain_words(empty_registry: Path) -> None:
    with small_registry(empty_registry) as opened, pytest.raises(GraftledgerError, match="among 0 patient"):
        next_session_model(opened)


def test_patients_who_are_all_alike_are_refused_in_plain_words(empty_registry: Path) -> None:
    names = [f"p{number}" for number in range(20)]
    with (
        small_registry(
            empty_registry,
            patient=[{"patient_key": name} for name in names],
            session=[
                {
                    "session_key": f"{name}-{number}",
                    "patient_key": name,
                    "session_number": number,
                    "performed_on": on(day),
                }
                for name in names
                for number, day in ((1, 0), (2, 500))
            ],
        ) as opened,
        pytest.raises(GraftledgerError, match="no covariate is left"),
    ):
        next_session_model(opened)


def test_a_sample_is_told(registry: Registry) -> None:
    model = next_session_model(registry, most_patients=700, sets=2)
    assert model.sampled
    assert (model.spells, model.patients) == (700, next_session_model(registry, sets=2).patients)


def test_a_ratio_that_the_records_do_not_tell_is_not_shown(registry: Registry) -> None:
    """Where almost all of a level have the event, a limit may be beyond any number."""
    spells = model_spells(registry, every_session=False).rows
    plan = prepared(spells, 10)
    fits = fit_model(plan.kept(spells), plan, 2)
    ratio = fits.ratios(design.contrasts(fits.used), 0.95, of_imputed=True)[0]
    figure = _ratio_figure(IMPUTED, replace(ratio, upper=800.0), fits.completed[0], fits, 10, 0.95, {})
    assert (figure.estimate, figure.lower, figure.upper, figure.flags) == (None, None, None, ("too_few",))


def test_the_curve_stays_within_the_people(model: NextSessionModel, registry: Registry) -> None:
    ages = model_spells(registry, every_session=False).rows["age_at_first_surgery_years"].drop_nulls().to_numpy()
    low, high = np.quantile(ages, (0.05, 0.95))
    shown = [float(figure.group["level"]) for figure in model.of(HAZARD_RATIO, analysis="curve")]
    assert low <= min(shown) < max(shown) <= high


def test_what_a_ratio_adds_up() -> None:
    """By hand: contrasts of a level are plus one column; of age, differences of the spline."""
    frame = pl.DataFrame({"had_event": [True, True, False, False] * 25, "sex": ["male", "female"] * 50}).with_columns(
        age_at_first_surgery_years=pl.int_range(100) % 50 + 20
    )
    used = [one for one in prepared_of(frame) if one.name in ("sex", "age_at_first_surgery_years")]
    rows = {(contrast.covariate, contrast.level): contrast.weights for contrast in design.contrasts(used)}
    sex = next(one for one in used if one.name == "sex")
    assert rows["sex", sex.groups[1]].tolist() == [0, 0, 0, 1]
    at = np.array([float(level) for covariate, level in rows if covariate.startswith("age")])
    assert [float(weights[0]) for (name, _), weights in rows.items() if name.startswith("age")] == pytest.approx(
        (at - used[0].reference).tolist()
    )


def prepared_of(frame: pl.DataFrame) -> tuple[Any, ...]:
    from pipelines.next_session_model.covariates import COVARIATES

    missing = {
        covariate.name: pl.lit(None, dtype=pl.String if covariate.levels else pl.Float64)
        for covariate in COVARIATES
        if covariate.name not in frame.columns
    }
    return prepared(frame.with_columns(**missing), 10).used


def test_a_level_without_an_event_goes_with_its_spells_where_part_of_them_is_fitted() -> None:
    """By hand: of three groups the last has no event; the fit is that of the other two."""
    random = np.random.default_rng(3)
    group = random.integers(0, 3, 300)
    spells = Spells(
        np.column_stack([group == 1, group == 2, np.zeros(300)]).astype(float),
        ("g 1", "g 2", "h 1"),
        np.full(300, -np.inf),
        random.integers(1, 400, 300).astype(float),
        (random.random(300) < 0.5) & (group != 2),
        np.zeros(300, dtype=np.int64),
        np.arange(300),
    )
    fit = fit_levels_with_events(spells)
    assert fit is not None
    assert fit.names == ("g 1",)
    assert fit.n == int((group != 2).sum())
    kept = spells.taken(group != 2)
    alone = fit_cox(kept.with_x(kept.x[:, :1], ("g 1",)))
    assert fit.coefficients == pytest.approx(alone.coefficients)


def test_nothing_left_to_fit_gives_nothing() -> None:
    spells = Spells(
        np.array([[1.0], [0.0]]),
        ("g 1",),
        np.full(2, -np.inf),
        np.ones(2),
        np.zeros(2, bool),
        np.zeros(2, int),
        np.arange(2),
    )
    assert fit_levels_with_events(spells) is None


@pytest.mark.slow
def test_recovers_what_shaped_the_records() -> None:
    """Known truth: without planned stages and sessions elsewhere the model behind the records is a Cox model."""
    plain = replace(
        MODEL,
        planned_share_mild=0.0,
        planned_share_severe=0.0,
        gap_hazard_elsewhere=(0.0,) * len(MODEL.gap_hazard_elsewhere),
    )
    with registry_in_memory(SITES, SURGEONS) as opened:
        load_frames(opened, dict(simulate(20_000, 5, plain).frames))
        model = next_session_model(opened, sets=3)
    checked = 0
    for figure in model.of(HAZARD_RATIO, analysis=IMPUTED, covariate="age_at_first_surgery_years"):
        truth = MODEL.gap_log_hazard_per_year_of_age * (float(figure.group["level"]) - float(figure.group["against"]))
        error = math.log((figure.upper or 1) / (figure.lower or 1)) / 2 / 1.96
        # a little is left in age of the severity that a stage tells coarsely
        assert math.log(figure.estimate or 1) == pytest.approx(truth, abs=3.5 * error + 0.1 * abs(truth))
        checked += 1
    assert checked >= 3
    assert all((f.estimate or 0) > 0.001 for f in model.of(PROPORTIONAL_HAZARDS_P) if f.group["covariate"] != "all")
