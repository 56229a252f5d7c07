"""The models of complications on small and fictional registries: rows by hand, other software, and refusals."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipelines.complication_model import OUTCOMES, SessionModel, complication_model
from pipelines.complication_model.covariates import COVARIATES, SITE, with_sites
from pipelines.complication_model.fitting import fit_sessions, without_small
from pipelines.complication_model.measures import ERROR_RATIO, MISSING, ODDS_RATIO, RISK_DIFFERENCE, SHARE
from pipelines.complication_model.outcomes import outcome
from pipelines.complication_model.sessions import complication_sessions
from pipelines.complications import complications
from pipelines.next_session_model.measures import COMPLETE, IMPUTED
from pipelines.next_session_model.preparing import prepared
from pipelines.regression.logistic import fit_logistic
from registry.errors import GraftledgerError
from registry.store import Registry
from synthetic_data import SITES, SURGEONS, simulate
from tests.small_registry import load_frames, on, registry_in_memory, small_registry


@pytest.fixture(scope="module")
def registry() -> Iterator[Registry]:
    with registry_in_memory(SITES, SURGEONS) as opened:
        load_frames(opened, dict(simulate(3000, 43).frames))
        yield opened


@pytest.fixture(scope="module")
def common(registry: Registry) -> SessionModel:
    return complication_model(registry, "numbness-month-6", sets=3)


@pytest.fixture(scope="module")
def rare() -> SessionModel:
    with registry_in_memory(SITES, SURGEONS) as opened:
        load_frames(opened, dict(simulate(1000, 44).frames))
        return complication_model(opened, "severe-swelling", sets=2)


def visits(name: str, **findings: Any) -> dict[str, Any]:
    return {"session_key": name, "visited_on": on(7), "periorbital_bruising_since_last": False, **findings}


def test_by_hand_rows(empty_registry: Path) -> None:
    """By hand: how grafts were taken stands with the closure, density is grafts over area, and what is not recorded
    is no answer."""
    sessions: list[dict[str, Any]] = [
        {
            "donor_closure": "trichophytic_upper_edge",
            "zones": ["hairline", "vertex"],
            "recipient_area_cm2": 50.0,
            "duration_hours": 6.0,
        },
        {"donor_closure": "plain", "zones": ["mid_scalp"]},
        {"donor_closure": None},
        {"technique": "follicular_unit_excision", "donor_closure": "not_applicable"},
        {"technique": "combined", "donor_closure": "plain"},
        {"technique": "strip"},
    ]
    names = [f"s{number}" for number in range(6)]
    with small_registry(
        empty_registry,
        patient=[{"patient_key": name, "sex": "unknown", "smoking": "former"} for name in names],
        session=[{"session_key": name, "patient_key": name, **row} for name, row in zip(names, sessions, strict=True)],
        visit=[visits("s0", periorbital_bruising_since_last=True), *(visits(name) for name in names[1:5])],
    ) as opened:
        taken = complication_sessions(opened, outcome("bruised-eyes"))
    rows = taken.rows.sort("session_key")
    assert rows["harvest"].to_list() == [
        "strip_trichophytic",
        "strip_plain",
        "strip_closure_unknown",
        "follicular_unit_excision",
        "combined",
    ]
    assert rows["had_event"].to_list() == [True, False, False, False, False]
    assert rows["placed_density"].to_list() == [40.0, None, None, None, None]
    assert rows["zone_vertex"].to_list() == ["yes", "no", None, None, None]
    assert rows["zone_mid_scalp"].to_list() == ["no", "yes", None, None, None]
    assert rows["sex"].to_list() == [None] * 5
    assert rows["smoking"].to_list() == ["former"] * 5
    assert taken.not_counted == {"missed_visit": 1}


@pytest.mark.parametrize("name", ["severe-swelling", "folliculitis", "numbness-month-12"])
def test_the_same_sessions_as_the_figures(registry: Registry, name: str) -> None:
    """The sessions of a model, and why others are not counted, are those of the share that is told elsewhere."""
    chosen, taken = outcome(name), complication_sessions(registry, outcome(name))
    due = chosen.milestone.due if chosen.milestone else None
    (share,) = [f for f in complications(registry) if f.measure == chosen.measure.name and f.at == due]
    assert (len(taken.rows), taken.rows["had_event"].sum()) == (share.n, share.events)
    assert taken.not_counted == dict(share.not_counted)
    assert set(taken.rows["session_key"].value_counts()["count"]) == {1}


def test_other_software_statsmodels_on_the_complete_cases(registry: Registry) -> None:
    """Other software: statsmodels GLM on the very columns; the difference of risk by its predictions."""
    import statsmodels.api as sm

    taken = complication_sessions(registry, outcome("numbness-month-6"))
    floor = registry.settings.floor_denominator
    plan = without_small(prepared(taken.rows, floor, with_sites(COVARIATES, registry.settings.sites)), floor)
    rows = plan.kept(taken.rows)
    fits = fit_sessions(rows, plan, rows["had_event"].to_numpy().astype(float), fit_logistic, sets=2)
    assert fits.complete is not None
    seen = fits.complete.sets[0]
    other = sm.GLM(seen.outcome, seen.design(), family=sm.families.Binomial()).fit(
        cov_type="cluster", cov_kwds={"groups": seen.cluster}, tol=1e-12
    )
    np.testing.assert_allclose(fits.complete.fits[0].coefficients, other.params, rtol=1e-6, atol=1e-8)
    np.testing.assert_allclose(fits.complete.fits[0].covariance, other.cov_params(), rtol=1e-5, atol=1e-9)
    model = complication_model(registry, "numbness-month-6", sets=2)
    (figure,) = model.of(RISK_DIFFERENCE, analysis=COMPLETE, covariate="grafts_total")
    moved = seen.design()
    moved[:, 1 + seen.names.index("grafts_total 1")] += 1
    assert figure.estimate == pytest.approx((other.predict(moved) - other.predict(seen.design())).mean(), abs=1e-7)


def test_figures_are_whole(common: SessionModel, rare: SessionModel) -> None:
    assert not common.firth
    assert rare.firth
    for model in (common, rare):
        (share,) = model.of(SHARE)
        assert share.n >= model.sessions >= 0.95 * share.n
        assert 0 <= (share.events or 0) - model.events <= 3
        for analysis in (IMPUTED, COMPLETE):
            ratios, differences = (model.of(measure, analysis=analysis) for measure in (ODDS_RATIO, RISK_DIFFERENCE))
            assert len(ratios) == len(differences) > 10
            for ratio, difference in zip(ratios, differences, strict=True):
                assert ratio.group == difference.group
                values = (ratio.lower, ratio.estimate, ratio.upper, difference.lower, difference.upper)
                assert all(value is not None for value in values)
                assert 0 < (ratio.lower or 0) <= (ratio.estimate or 0) <= (ratio.upper or 0) < np.inf
                assert -1 <= (difference.lower or 0) <= (difference.upper or 0) <= 1
                assert ((ratio.estimate or 1) > 1) == ((difference.estimate or 0) > 0)
        assert 0.5 < (model.of(ERROR_RATIO)[0].estimate or 0) < 2


def test_complete_cases_and_left_out_add_up(common: SessionModel) -> None:
    filled, complete = (common.of(ODDS_RATIO, analysis=name)[0] for name in (IMPUTED, COMPLETE))
    left_out = complete.not_counted["covariate_missing"] + complete.not_counted.get("not_counted", 0)
    assert complete.n + left_out == filled.n + filled.not_counted.get("not_counted", 0)
    assert filled.n == common.sessions
    assert sum(figure.events or 0 for figure in common.of(MISSING)) >= complete.not_counted["covariate_missing"]


def test_sites_are_taken_in_and_never_shown(common: SessionModel) -> None:
    assert common.columns > len(common.of(ODDS_RATIO, analysis=IMPUTED))
    assert not [figure for figure in common.figures if figure.group.get("covariate") == SITE]


def test_the_same_records_give_the_same_figures(registry: Registry, common: SessionModel) -> None:
    assert complication_model(registry, "numbness-month-6", sets=3).figures == common.figures


def test_a_sample_is_told(registry: Registry) -> None:
    model = complication_model(registry, "numbness-month-6", sets=2, most_patients=500)
    assert model.sampled
    assert model.drawn == 500


def test_an_unknown_outcome_names_the_nearest(registry: Registry) -> None:
    with pytest.raises(GraftledgerError, match=r"no model of 'infektion'.*infection"):
        complication_model(registry, "infektion")


def many(count: int, bruised: int, **more: Any) -> dict[str, list[dict[str, Any]]]:
    """Patients with one session each, the first of whom had bruised eyes."""
    names = [f"p{number}" for number in range(count)]
    return {
        "patient": [{"patient_key": name, **more} for name in names],
        "session": [{"session_key": name, "patient_key": name} for name in names],
        "visit": [visits(name, periorbital_bruising_since_last=number < bruised) for number, name in enumerate(names)],
    }


@pytest.mark.parametrize(("count", "bruised"), [(30, 0), (30, 30), (30, 9), (0, 0)])
def test_too_few_with_or_without_are_refused_in_plain_words(empty_registry: Path, count: int, bruised: int) -> None:
    with (
        small_registry(empty_registry, **many(count, bruised)) as opened,
        pytest.raises(GraftledgerError, match=rf"Bruised eyes: {bruised} of {count} session\(s\) assessed had it"),
    ):
        complication_model(opened, "bruised-eyes")


def test_sessions_that_are_all_alike_are_refused_in_plain_words(empty_registry: Path) -> None:
    with (
        small_registry(empty_registry, **many(40, 15)) as opened,
        pytest.raises(GraftledgerError, match="no covariate is left to compare by"),
    ):
        complication_model(opened, "bruised-eyes")


def test_a_group_that_tells_the_outcome_gets_finite_ratios(empty_registry: Path) -> None:
    """Complete separation: all women, no man. Penalised, the ratio is finite, and its interval leaves out 1."""
    records = many(60, 30)
    for number, patient in enumerate(records["patient"]):
        patient["sex"] = "female" if number < 30 else "male"
    with small_registry(empty_registry, **records) as opened:
        model = complication_model(opened, "bruised-eyes")
    assert model.firth
    (ratio,) = model.of(ODDS_RATIO)
    assert (ratio.upper or 0) < 1 or (ratio.lower or 0) > 1
    assert {remark.kind for remark in model.remarks} == {"one_value", "mostly_missing"}


def test_a_group_that_stays_too_small_is_left_out_with_its_sessions(empty_registry: Path) -> None:
    """By hand: of 60 patients 4 are intersex, fewer than the floor and with nobody to stand with."""
    records = many(60, 30)
    for number, patient in enumerate(records["patient"]):
        patient["sex"] = "intersex" if number % 15 == 0 else "female" if number % 2 else "male"
    with small_registry(empty_registry, **records) as opened:
        model = complication_model(opened, "bruised-eyes")
    (remark,) = [remark for remark in model.remarks if remark.kind == "level_left_out"]
    assert (remark.levels, remark.n) == (("intersex",), 4)
    assert model.sessions == 56
    (ratio,) = model.of(ODDS_RATIO)
    assert ratio.not_counted == {"not_counted": 4}


def test_a_covariate_that_another_tells_is_left_out_and_told(empty_registry: Path) -> None:
    """By hand: whoever smokes is a woman, and nobody else is."""
    records = many(80, 30)
    for number, patient in enumerate(records["patient"]):
        patient["sex"], patient["smoking"] = ("female", "current") if number % 3 == 0 else ("male", "never")
    with small_registry(empty_registry, **records) as opened:
        model = complication_model(opened, "bruised-eyes")
    assert [remark.covariate for remark in model.remarks if remark.kind == "no_estimate"] == ["smoking"]
    assert [figure.group["covariate"] for figure in model.of(ODDS_RATIO)] == ["sex"]


def test_every_outcome_is_one_of_the_measures() -> None:
    assert list(OUTCOMES)[:4] == ["severe-swelling", "bruised-eyes", "folliculitis", "infection"]
    assert {"numbness-month-6", "numbness-month-12"} < set(OUTCOMES)
    assert all(isinstance(one.when, str) for one in OUTCOMES.values())


@pytest.mark.slow
def test_recovers_what_shaped_the_records() -> None:
    """Known truth: the fictional clinics raise the log odds of folliculitis by 0.15 per 10 grafts a cm2 and by 0.12
    an hour out of the body, and lower it by 0.25 with a strip; a leaning of each patient makes what is seen smaller
    by a little."""
    from synthetic_data import MODEL

    with registry_in_memory(SITES, SURGEONS) as opened:
        load_frames(opened, dict(simulate(15_000, 7).frames))
        model = complication_model(opened, "folliculitis", sets=2)
    for covariate, level, truth in (
        ("placed_density", "+10", MODEL.log_odds_per_density_10),
        ("out_of_body_minutes", "+60", MODEL.log_odds_per_out_of_body_hour),
        ("harvest", "strip_trichophytic", MODEL.folliculitis.strip_log_odds),
    ):
        (figure,) = model.of(ODDS_RATIO, analysis=IMPUTED, covariate=covariate, level=level)
        error = (np.log(figure.upper or 1) - np.log(figure.lower or 1)) / 2 / 1.96
        assert np.log(figure.estimate or 1) == pytest.approx(truth, abs=3.5 * error + 0.15 * abs(truth))
    assert pl.Series([figure.estimate for figure in model.of(SHARE)]).item() == pytest.approx(0.07, abs=0.03)
