"""The models of scar width and of satisfaction: rows by hand, other software, known truth, refusals."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.stats import t

from pipelines.complication_model import SESSION_MODEL_LABELS, SessionModel, satisfaction_model, scar_width_model
from pipelines.complication_model.covariates import SCAR_COVARIATES, with_sites
from pipelines.complication_model.fitting import fit_sessions
from pipelines.complication_model.measures import (
    MISSING,
    PROPORTIONAL_ODDS_P,
    SATISFACTION_DIFFERENCE,
    SATISFACTION_MEAN,
    SATISFACTION_ODDS_RATIO,
    SCAR_DIFFERENCE,
    SCAR_MEAN,
)
from pipelines.complication_model.sessions import satisfaction_ratings, scar_sessions
from pipelines.next_session_model.measures import COMPLETE, IMPUTED
from pipelines.next_session_model.preparing import prepared
from pipelines.regression.linear import fit_linear
from registry.errors import GraftledgerError
from registry.store import Registry
from synthetic_data import MODEL, SITES, SURGEONS, simulate
from tests.small_registry import load_frames, on, registry_in_memory, small_registry


@pytest.fixture(scope="module")
def registry() -> Iterator[Registry]:
    with registry_in_memory(SITES, SURGEONS) as opened:
        load_frames(opened, dict(simulate(1200, 45).frames))
        yield opened


@pytest.fixture(scope="module")
def scars(registry: Registry) -> SessionModel:
    return scar_width_model(registry, sets=2)


@pytest.fixture(scope="module")
def satisfaction(registry: Registry) -> SessionModel:
    return satisfaction_model(registry, sets=2)


def test_by_hand_which_scar_speaks(empty_registry: Path) -> None:
    """By hand: nearest to day 365 of days 183 to 548, before a further session; excision alone leaves no strip."""
    sessions: list[dict[str, Any]] = [
        {"session_key": "two", "donor_closure": "plain"},
        {"session_key": "late"},
        {"session_key": "none"},
        {"session_key": "again"},
        {"session_key": "excised", "technique": "follicular_unit_excision"},
        {"session_key": "next", "patient_key": "again", "session_number": 2, "performed_on": on(250)},
    ]
    with small_registry(
        empty_registry,
        patient=[{"patient_key": name} for name in ("two", "late", "none", "again", "excised")],
        session=[{"patient_key": row["session_key"], **row} for row in sessions],
        visit=[
            {"session_key": "two", "visited_on": on(200), "scar_width_mm": 1.0},
            {"session_key": "two", "visited_on": on(400), "scar_width_mm": 2.0},
            {"session_key": "late", "visited_on": on(600), "scar_width_mm": 3.0},
            {"session_key": "none", "visited_on": on(365)},
            {"session_key": "again", "visited_on": on(365), "scar_width_mm": 4.0},
            {"session_key": "excised", "visited_on": on(365), "scar_width_mm": 5.0},
        ],
    ) as opened:
        taken = scar_sessions(opened)
    assert taken.rows.select("scar_width_mm", "harvest").rows() == [(2.0, "strip_plain")]
    assert taken.not_counted == {"missed_visit": 2, "item_empty": 1, "operated_again": 1}


def test_by_hand_one_rating_a_session_and_milestone(empty_registry: Path) -> None:
    """By hand: month 6 has its own rating, month 12 the nearer of two; nothing is told at years 2, 3 and 5."""
    with small_registry(
        empty_registry,
        patient=[{"patient_key": "p"}],
        session=[{"session_key": "p", "patient_key": "p"}],
        visit=[
            {"session_key": "p", "visited_on": on(day), "satisfaction": rating}
            for day, rating in ((90, 1), (180, 6), (310, 2), (370, 9))
        ],
    ) as opened:
        taken = satisfaction_ratings(opened)
    assert sorted(taken.rows.select("milestone", "satisfaction").rows()) == [("month_12", 9), ("month_6", 6)]
    assert taken.not_counted == {"missed_visit": 3}


def test_every_measure_is_labelled(scars: SessionModel, satisfaction: SessionModel) -> None:
    measures = {figure.measure for figure in (*scars.figures, *satisfaction.figures)}
    assert measures == {
        MISSING,
        SCAR_DIFFERENCE,
        SCAR_MEAN,
        SATISFACTION_ODDS_RATIO,
        SATISFACTION_DIFFERENCE,
        SATISFACTION_MEAN,
        PROPORTIONAL_ODDS_P,
    }
    assert measures < set(SESSION_MODEL_LABELS)


def test_other_software_statsmodels_on_the_complete_cases(registry: Registry, scars: SessionModel) -> None:
    """Other software: statsmodels GEE with independence, bias-reduced errors by patient, on the very columns."""
    import statsmodels.api as sm

    rows = scar_sessions(registry).rows
    plan = prepared(rows, 20, with_sites(SCAR_COVARIATES, registry.settings.sites), least_events=0)
    fits = fit_sessions(rows, plan, rows["scar_width_mm"].to_numpy(), fit_linear, sets=2)
    assert fits.complete is not None
    seen = fits.complete.sets[0]
    other = sm.GEE(seen.outcome, seen.design(), groups=seen.cluster).fit(cov_type="bias_reduced", ctol=1e-12)
    name = "harvest strip_trichophytic"
    (figure,) = scars.of(SCAR_DIFFERENCE, analysis=COMPLETE, covariate="harvest", level="strip_trichophytic")
    place = 1 + seen.names.index(name)
    assert figure.estimate == pytest.approx(other.params[place], rel=1e-7)
    reach = t.ppf(0.975, seen.clusters - len(seen.names) - 1)
    assert (figure.upper or 0) - (figure.lower or 0) == pytest.approx(2 * reach * other.bse[place], rel=1e-5)


def test_the_mean_by_milestone_is_that_of_the_rows(registry: Registry, satisfaction: SessionModel) -> None:
    rows = satisfaction_ratings(registry).rows
    for figure in satisfaction.of(SATISFACTION_MEAN):
        part = rows.filter(milestone=figure.group["milestone"])
        assert (figure.n, figure.n_clusters) == (len(part), part["patient_key"].n_unique())
        assert figure.estimate == pytest.approx(part["satisfaction"].to_numpy().mean())
        assert (figure.lower or 0) < (figure.estimate or 0) < (figure.upper or 0)


def test_both_ways_to_compare_satisfaction_point_the_same_way(satisfaction: SessionModel) -> None:
    ratios, points = (
        satisfaction.of(name, analysis=IMPUTED) for name in (SATISFACTION_ODDS_RATIO, SATISFACTION_DIFFERENCE)
    )
    assert [figure.group for figure in ratios] == [figure.group for figure in points]
    log_ratios = np.log([figure.estimate or 1 for figure in ratios])
    assert np.corrcoef(log_ratios, [figure.estimate or 0 for figure in points])[0, 1] > 0.9
    assert {figure.group["covariate"] for figure in satisfaction.of(PROPORTIONAL_ODDS_P)} >= {"milestone", "all"}


@pytest.mark.parametrize("build", [scar_width_model, satisfaction_model])
def test_nobody_measured_is_refused_in_plain_words(
    empty_registry: Path, build: Callable[[Registry], SessionModel]
) -> None:
    with (
        small_registry(empty_registry, patient=[{"patient_key": "p"}], session=[{"patient_key": "p"}]) as opened,
        pytest.raises(GraftledgerError, match=r"of 0 patient\(s\) are there; a comparison needs at least 40"),
    ):
        build(opened)


def test_scars_that_are_all_as_wide_are_refused_in_plain_words(empty_registry: Path) -> None:
    names = [f"p{number}" for number in range(50)]
    with (
        small_registry(
            empty_registry,
            patient=[{"patient_key": name} for name in names],
            session=[
                {"session_key": name, "patient_key": name, "grafts_total": 1000 + 10 * number}
                for number, name in enumerate(names)
            ],
            visit=[{"session_key": name, "visited_on": on(365), "scar_width_mm": 2.0} for name in names],
        ) as opened,
        pytest.raises(GraftledgerError, match="the outcome is the same everywhere"),
    ):
        scar_width_model(opened)


@pytest.mark.slow
def test_recovers_the_width_by_closure() -> None:
    """Known truth: log-normal widths; means of the trichophytic closures, mixed as they are, less the plain one."""
    with registry_in_memory(SITES, SURGEONS) as opened:
        load_frames(opened, dict(simulate(8000, 46).frames))
        model = scar_width_model(opened, sets=2)
    spread = np.exp(MODEL.scar_log_sd**2 / 2)
    low, high = (
        (MODEL.scar_median_mm[name] - MODEL.scar_median_mm["plain"]) * spread
        for name in ("trichophytic_lower_edge", "trichophytic_upper_edge")
    )
    (figure,) = model.of(SCAR_DIFFERENCE, analysis=IMPUTED, covariate="harvest", level="strip_trichophytic")
    assert low - 0.05 < (figure.estimate or 0) < high + 0.05
    assert (figure.upper or 0) - (figure.lower or 0) < 0.3
