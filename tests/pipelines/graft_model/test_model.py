"""The model of graft survival from a registry."""

from collections.abc import Iterator

import numpy as np
import pytest

from pipelines.graft_model import GraftModel, graft_model
from pipelines.graft_model.measures import AREAS_AT, BEND_AT, BEND_P, COMPLETE, IMPUTED, MISSING, ODDS_RATIO, YIELD_AT
from registry.errors import GraftledgerError
from registry.store import Registry
from tests.small_registry import Row, insert_rows, on, registry_in_memory

PATIENTS = 300


@pytest.fixture(scope="module")
def registry() -> Iterator[Registry]:
    """One area each: yield 0.93 up to 45 grafts per cm2, then falling; smokers 0.5 on the log odds below."""
    rng = np.random.default_rng(20261128)
    density = rng.uniform(20, 65, PATIENTS)
    smokes = rng.random(PATIENTS) < 0.4
    log_odds = 2.6 - 0.06 * np.clip(density - 45, 0, None) - 0.5 * smokes + rng.normal(0, 0.2, PATIENTS)
    placed = np.rint(2 * density).astype(int)
    growing = rng.binomial(placed, 1 / (1 + np.exp(-log_odds)))
    known = rng.random(PATIENTS) < 0.9
    patients: list[Row] = [
        {"patient_key": f"p{i}", "smoking": ("current" if smokes[i] else "never") if known[i] else "unknown"}
        for i in range(PATIENTS)
    ]
    sessions: list[Row] = [
        {
            "session_key": f"s{i}",
            "patient_key": f"p{i}",
            "technique": ("strip", "follicular_unit_excision")[i % 2],
            "grafts_total": 1500 + 10 * (i % 100),
        }
        for i in range(PATIENTS)
    ]
    areas: list[Row] = [
        {
            "session_key": f"s{i}",
            "area_cm2": 2.0,
            "placed_grafts": int(placed[i]),
            "growing_grafts": int(growing[i]),
            "counted_on": on(365),
            "zone": ("frontal", "vertex", "hairline")[i % 3],
        }
        for i in range(PATIENTS)
    ]
    with registry_in_memory() as opened:
        for name, rows in (("patient", patients), ("session", sessions), ("graft_count", areas)):
            insert_rows(opened, name, rows)
        insert_rows(opened, "site_period", [{"records_complete_to": on(2000)}])
        yield opened


@pytest.fixture(scope="module")
def model(registry: Registry) -> GraftModel:
    return graft_model(registry, sets=3)


def test_planted_effects_are_held(model: GraftModel) -> None:
    """Known truth: smokers' odds 0.61 times; technique and zone of no effect."""
    (smoking,) = model.of(ODDS_RATIO, analysis=IMPUTED, covariate="smoking")
    assert smoking.lower is not None
    assert smoking.upper is not None
    assert smoking.lower < np.exp(-0.5) < smoking.upper < 1
    assert (smoking.group["level"], smoking.group["against"]) == ("current", "never")
    (technique,) = model.of(ODDS_RATIO, analysis=IMPUTED, covariate="technique")
    assert technique.lower is not None
    assert technique.upper is not None
    assert technique.lower < 1 < technique.upper


def test_the_bend_is_found(model: GraftModel) -> None:
    (bend,) = model.of(BEND_AT)
    assert bend.lower is not None
    assert bend.upper is not None
    assert bend.lower <= 45 <= bend.upper


def test_curve_is_standardised_and_falls(model: GraftModel) -> None:
    curve = model.of(YIELD_AT, covariate="placed_density")
    shares = {float(figure.group["level"]): figure.estimate or 0.0 for figure in curve}
    assert shares[min(shares)] - shares[max(shares)] > 0.05
    assert sum(figure.n for figure in model.of(AREAS_AT, covariate="placed_density")) == PATIENTS


def test_gaps_are_counted_and_complete_cases_stand_beside(model: GraftModel) -> None:
    (missing,) = model.of(MISSING, covariate="smoking")
    (complete,) = model.of(ODDS_RATIO, analysis=COMPLETE, covariate="smoking")
    assert missing.events == PATIENTS - model.without_gap
    assert (complete.n, complete.not_counted["covariate_missing"]) == (model.without_gap, missing.events)
    assert complete.at_risk is not None
    assert complete.at_risk < complete.n


def test_what_is_not_known_is_said(model: GraftModel) -> None:
    left_out = {remark.covariate: remark.kind for remark in model.remarks}
    assert left_out["out_of_body_minutes"] == left_out["transection_percent"] == "mostly_missing"
    assert left_out["method"] == left_out["site_code"] == "one_value"


def test_too_few_patients(registry: Registry) -> None:
    with pytest.raises(GraftledgerError, match="at least 40"):
        graft_model(registry, as_of=on(300))


def test_everything_grew(registry: Registry) -> None:
    registry.connection.execute("begin")
    registry.connection.execute("update graft_count set growing_grafts = placed_grafts")
    try:
        with pytest.raises(GraftledgerError, match="cannot be fitted"):
            graft_model(registry)
    finally:
        registry.connection.execute("rollback")


def test_no_evidence_of_a_bend_shows_no_place(registry: Registry) -> None:
    registry.connection.execute("begin")
    registry.connection.execute(
        "update graft_count set growing_grafts = (placed_grafts * 0.9)::int + hash(count_key) % 3"
    )
    try:
        figures = graft_model(registry, sets=2)
    finally:
        registry.connection.execute("rollback")
    assert [figure.estimate for figure in figures.of(BEND_AT)] == [None]
    (p,) = figures.of(BEND_P)
    assert p.estimate is not None
