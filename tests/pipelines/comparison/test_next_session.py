"""Next sessions seen beside those expected."""

from __future__ import annotations

import shutil
from datetime import date
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipelines.comparison.measures import NEXT_SESSION
from pipelines.comparison.next_session import next_sessions
from pipelines.comparison.next_session_fit import (
    GRID_DAYS,
    checked,
    expected_next_sessions,
    fit_next_session_model,
    fit_rows,
    planned,
    within_reach,
)
from pipelines.comparison.storing import freeze_models, load_models
from pipelines.next_session_model.spells import model_spells
from pipelines.regression.baseline import baseline_hazard, expected_events
from pipelines.regression.cox import fit_cox
from pipelines.regression.spells import Spells
from registry.store import open_registry
from synthetic_data import SURGEONS
from synthetic_data.clinics import DATA_DATE
from tests.small_registry import insert_rows, on


def spells(seed: int = 1, n: int = 400) -> Spells:
    random = np.random.default_rng(seed)
    x = random.normal(size=(n, 2))
    return Spells(
        x,
        ("a", "b"),
        np.where(random.random(n) < 0.3, 20.0, -np.inf),
        np.ceil(random.exponential(300, n)) + 21,
        random.random(n) < 0.5,
        np.zeros(n, dtype=np.int64),
        np.arange(n),
    )


def test_events_expected_of_the_fitted_spells_add_up_to_those_seen() -> None:
    """By hand: cumulative hazards of the fitted spells sum to the events, whatever the coefficients (ties after Efron
    leave a small rest)."""
    fitted = spells()
    coefficients = fit_cox(fitted).coefficients
    days = np.unique(np.append(fitted.exit, 0.0))
    hazard = baseline_hazard(fitted, coefficients, days)
    found = expected_events(days, hazard, fitted.x @ coefficients, fitted.entry, fitted.exit)
    assert found.sum() == pytest.approx(fitted.event.sum(), rel=0.01)
    # a grid of three months is coarse for a mean time of 300 days, and loses 2 %; next sessions take years
    coarse = np.append(np.arange(0.0, days[-1], 91), days[-1])
    hazard = baseline_hazard(fitted, coefficients, coarse)
    found = expected_events(coarse, hazard, fitted.x @ coefficients, fitted.entry, fitted.exit)
    assert found.sum() == pytest.approx(fitted.event.sum(), rel=0.03)


def test_without_columns_it_is_the_cumulative_hazard_over_the_time_observed() -> None:
    """By hand: of three spells that end on days 1, 2 and 3, the hazards are 1/3, 1/2 and 1."""
    none = np.zeros((3, 0))
    days = np.array([1.0, 2.0, 3.0])
    whose = np.arange(3)
    yes = np.ones(3, dtype=bool)
    fitted = Spells(none, (), np.full(3, -np.inf), days, yes, np.zeros(3, dtype=np.int64), whose)
    grid = np.array([0.0, 1.0, 2.0, 3.0])
    hazard = baseline_hazard(fitted, np.zeros(0), grid)
    assert hazard.tolist() == pytest.approx([0, 1 / 3, 1 / 3 + 1 / 2, 1 / 3 + 1 / 2 + 1])
    entry, leave = np.array([-np.inf, 1.0, 2.0]), np.array([3.0, 2.0, 2.5])
    found = expected_events(grid, hazard, np.zeros(3), entry, leave)
    assert found.tolist() == pytest.approx([1 / 3 + 1 / 2 + 1, 1 / 2, 1 / 2])
    with pytest.raises(ValueError, match="past the last day"):
        expected_events(grid, hazard, np.zeros(1), np.zeros(1), np.array([4.0]))


def test_the_fictional_surgeons_do_not_differ(practice_folder: Path) -> None:
    """The truth is stated: the model gives no surgeon an effect on next sessions. Of ten 95% intervals, at most two
    leave out 1 (three or more happen once in 80 times)."""
    with open_registry(practice_folder) as registry:
        found = [next_sessions(registry, code, as_of=DATA_DATE) for code in SURGEONS]
    outside = 0
    for ratio, expected in found:
        assert ratio.estimate is not None
        assert expected.estimate is not None
        assert ratio.estimate * expected.estimate == pytest.approx(ratio.events)
        assert ratio.lower is not None
        assert ratio.upper is not None
        outside += not ratio.lower <= 1 <= ratio.upper
        assert not set(ratio.flags) & {"alert", "priority_review"}
    assert outside <= 2


def test_one_surgeon_alone_has_nothing_to_expect(empty_registry: Path) -> None:
    with open_registry(empty_registry, read_only=False) as registry:
        insert_rows(registry, "patient", [{"patient_key": f"p{n}", "last_contact_on": on(900)} for n in range(12)])
        insert_rows(registry, "session", [{"session_key": f"s{n}", "patient_key": f"p{n}"} for n in range(12)])
        insert_rows(registry, "site_period", [{"site_code": "A"}])
        ratio, expected = next_sessions(registry, "S1")
    assert (ratio.n, ratio.events, ratio.estimate, expected.estimate) == (12, 0, None, None)


PERIOD = (date(2017, 1, 1), date(2022, 12, 31))


def test_the_model_expects_of_those_it_was_fitted_to_what_was_seen(practice_folder: Path) -> None:
    """By hand: hazards sum to the events; the grid of three months and Efron's ties leave a small rest. Spells cut at
    its last day cut both."""
    with open_registry(practice_folder) as registry:
        rows = model_spells(registry, every_session=False).rows
        factors = planned(rows, 10)
        fit = fit_rows(rows, factors, 10)
    assert fit is not None
    assert fit.baseline is not None
    assert any(fit.coefficients)
    reach = fit.baseline.days[-1]
    assert reach % GRID_DAYS == 0
    assert (rows["exit_day"] >= reach).sum() >= 10 > (rows["exit_day"] >= reach + GRID_DAYS).sum()
    cut = within_reach(rows, reach)
    assert cut["exit_day"].max() == reach
    assert expected_next_sessions(fit, cut, factors).sum() == pytest.approx(cut["had_event"].sum(), rel=0.02)


def test_a_frozen_model_leaves_the_surgeon_out_and_is_of_its_period(practice_folder: Path) -> None:
    """Without a surgeon: the fit of the others' rows alone, by hand the same call on those rows."""
    with open_registry(practice_folder) as registry:
        model = fit_next_session_model(registry, *PERIOD)
        rows = model_spells(registry, every_session=False).rows.filter(pl.col("start_on").is_between(*PERIOD))
        again = fit_rows(rows.filter(pl.col("surgeon_code") != "S03"), model.factors, 10)
    assert model.whole is not None
    assert again is not None
    assert model.whole.n == len(rows)
    assert vars(model.without["S03"]) == vars(again)  # type: ignore[arg-type]
    assert model.fit_for("nobody") is model.whole


@pytest.mark.parametrize(("log_ratio", "c_between"), [(0.5, (0.6, 0.72)), (0.0, (0.44, 0.56))])
def test_checks_tell_a_model_that_foretells_from_one_that_does_not(
    log_ratio: float, c_between: tuple[float, float]
) -> None:
    """The truth is stated: hazards by ten years of age, or by nothing; then slope and c-statistic fall to about 0 and
    one half."""
    random = np.random.default_rng(5)
    n = 1500
    age = random.integers(20, 60, n)
    due = np.ceil(random.exponential(1500 / np.exp(log_ratio * (age - 40) / 10)))
    lost = random.integers(200, 3000, n)
    rows = pl.DataFrame(
        {
            "surgeon_code": ["S1"] * n,
            "entry_day": [0] * n,
            "exit_day": np.minimum(due, lost).astype(int),
            "had_event": due <= lost,
            "age_at_first_surgery_years": age,
            **{name: pl.Series([None] * n, dtype=pl.String) for name in ("sex", "pattern_stage", "family_history")},
        }
    )
    factors = planned(rows, 10)
    assert [factor.name for factor in factors] == ["age_at_first_surgery_years"]
    fit = fit_rows(rows, factors, 10)
    assert fit is not None
    assert fit.coefficients[0] == pytest.approx(log_ratio, abs=0.12)
    checks = checked(rows, factors, fit, 10)
    assert checks is not None
    assert checks.c_statistic is not None
    assert checks.slope is not None
    assert checks.slope_error is not None
    assert checks.intercept == pytest.approx(0.0, abs=0.03)
    assert c_between[0] < checks.c_statistic < c_between[1]
    if log_ratio:
        assert abs(checks.slope - 1) < 3 * checks.slope_error
        seen = [group.observed / group.n for group in checks.groups]
        assert seen[-1] > 2 * seen[0]
    assert sum(group.n for group in checks.groups) == n
    predicted = sum(group.predicted * group.n for group in checks.groups)
    assert predicted == pytest.approx(sum(group.observed for group in checks.groups), rel=0.03)


def test_a_frozen_model_is_used_and_does_not_move_with_new_records(practice_folder: Path, tmp_path: Path) -> None:
    """The ratio by the frozen model stays that of the model, where a fit on the spot sees other patients."""
    folder = Path(shutil.copytree(practice_folder, tmp_path / "copy"))
    with open_registry(folder, read_only=False) as registry:
        frozen = freeze_models(registry, *PERIOD, frozen_by="test")
        model = load_models(registry, frozen.model_id)[NEXT_SESSION]
        ratio, expected = next_sessions(registry, "S02", model=model, as_of=DATA_DATE)
        on_the_spot, _ = next_sessions(registry, "S02", as_of=DATA_DATE)
        fit = model.without["S02"]
        assert fit is not None
        assert fit.baseline is not None
        own = model_spells(registry, every_session=False, as_of=DATA_DATE).rows
        own = within_reach(own.filter(pl.col("surgeon_code") == "S02"), fit.baseline.days[-1])
        by_hand = float(expected_next_sessions(fit, own, model.factors).sum())
        assert expected.estimate == pytest.approx(by_hand)
        assert (ratio.n, ratio.events, ratio.at) == (len(own), own["had_event"].sum(), fit.baseline.days[-1])
        assert on_the_spot.at is not None
        assert on_the_spot.at > fit.baseline.days[-1]
        assert on_the_spot.estimate != ratio.estimate
        registry.connection.execute("update session set surgeon_code = 'S02' where surgeon_code = 'S05'")
        moved = next_sessions(registry, "S05", model=model, as_of=DATA_DATE)
        assert [figure.estimate for figure in moved] == [None, None]
        more, _ = next_sessions(registry, "S02", model=model, as_of=DATA_DATE)
        assert more.n > ratio.n


def test_few_followed_or_no_event_leaves_nothing_to_expect(empty_registry: Path) -> None:
    with open_registry(empty_registry, read_only=False) as registry:
        insert_rows(registry, "patient", [{"patient_key": f"p{n}", "last_contact_on": on(900)} for n in range(12)])
        insert_rows(registry, "session", [{"session_key": f"s{n}", "patient_key": f"p{n}"} for n in range(12)])
        insert_rows(registry, "site_period", [{"site_code": "A"}])
        model = fit_next_session_model(registry, on(-1), on(1))
        assert (model.whole, model.checks, model.factors) == (None, None, ())
        assert [figure.estimate for figure in next_sessions(registry, "S1", model=model)] == [None, None]


def test_who_entered_or_left_past_the_last_day_is_cut_there() -> None:
    """By hand."""
    rows = pl.DataFrame(
        {
            "entry_day": pl.Series([None, 5, 20], dtype=pl.Int64),
            "exit_day": [30, 8, 25],
            "had_event": [True, True, True],
        }
    )
    assert within_reach(rows, 10).rows() == [(None, 10, False), (5, 8, True)]


def test_separation_leaves_the_hazard_without_factors() -> None:
    """Nobody of one sex had a next session: no finite ratio. By hand: the baseline is then that of all, 40 events among
    80 on day 200 make 1/80 + 1/79 + ... + 1/41."""
    n = 80
    rows = pl.DataFrame(
        {
            "surgeon_code": ["S1"] * n,
            "entry_day": [0] * n,
            "exit_day": [200] * 40 + [400] * 40,
            "had_event": [True] * 40 + [False] * 40,
            "age_at_first_surgery_years": pl.Series([None] * n, dtype=pl.Int64),
            "sex": ["male"] * 40 + ["female"] * 40,
            **{name: pl.Series([None] * n, dtype=pl.String) for name in ("pattern_stage", "family_history")},
        }
    )
    factors = planned(rows, 10)
    assert [factor.name for factor in factors] == ["sex"]
    fit = fit_rows(rows, factors, 10)
    assert fit is not None
    assert fit.baseline is not None
    assert not any(fit.coefficients)
    assert fit.baseline.cumulative[-1] == pytest.approx(sum(1 / k for k in range(41, 81)))
    assert checked(rows, factors, fit, 10) is None
    # a factor before it stays
    aged = rows.with_columns(pl.Series("age_at_first_surgery_years", [25, 35, 45, 60] * 20))
    both = planned(aged, 10)
    assert [factor.name for factor in both] == ["age_at_first_surgery_years", "sex"]
    kept, alone = fit_rows(aged, both, 10), fit_rows(aged, both[:1], 10)
    assert kept is not None
    assert alone is not None
    assert kept.coefficients == (*alone.coefficients, 0.0)
