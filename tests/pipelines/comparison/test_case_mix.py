"""Case-mix models: what they adjust for, whom they leave out, and what stays when they cannot be fitted."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from pipelines.comparison.case_mix import LEAST_EVENTS, fit_case_mix, predicted
from pipelines.comparison.factors import NOT_KNOWN, Factor, columns_of, plan_factors
from pipelines.comparison.measures import CHOSEN_BY_SURGEON, COMPARED
from tests.pipelines.comparison.made_up import FIRST_ON, LAST_ON, sessions, table

FOLLICULITIS = COMPARED["folliculitis"]
COUNTS = {"S1": 900, "S2": 700, "S3": 500}


def test_the_model_expects_as_many_as_were_seen_among_those_it_was_fitted_to() -> None:
    """By hand: the likelihood equation of the intercept. Also for each smoking status, which has a column."""
    rows = sessions(COUNTS)
    model = fit_case_mix(rows, FOLLICULITIS, FIRST_ON, LAST_ON, floor=10)
    assert model.whole is not None
    assert model.whole.method == "logistic"
    expected = predicted(model.whole, rows, model.factors)
    for status in ("current", "never"):
        own = (rows["smoking"] == status).to_numpy()
        assert expected[own].sum() == pytest.approx(rows["observed"].to_numpy()[own].sum(), rel=1e-6)


def test_the_log_odds_of_the_factor_are_found() -> None:
    """The truth is stated: 0.7. Tolerance: three standard errors of such a sample (about 0.17 each)."""
    model = fit_case_mix(sessions(COUNTS), FOLLICULITIS, FIRST_ON, LAST_ON, floor=10)
    assert model.whole is not None
    assert [factor.name for factor in model.factors] == ["smoking"]
    sign = 1 if model.factors[0].groups[0] == "never" else -1
    assert sign * model.whole.coefficients[1] == pytest.approx(0.7, abs=0.5)


def test_a_surgeon_is_compared_with_a_model_fitted_to_the_others_alone() -> None:
    rows = sessions(COUNTS, {"S1": 1.2})
    model = fit_case_mix(rows, FOLLICULITIS, FIRST_ON, LAST_ON, floor=10)
    others = fit_case_mix(rows.filter(pl.col("surgeon_code") != "S1"), FOLLICULITIS, FIRST_ON, LAST_ON, floor=10)
    left, whole = model.fit_for("S1"), others.whole
    assert left is not None
    assert whole is not None
    assert left.coefficients == pytest.approx(whole.coefficients)
    assert (left.n, left.events) == (whole.n, whole.events)
    assert model.fit_for("new") is model.whole


def test_too_few_events_leave_the_share_of_all() -> None:
    rows = table(["S1", "S2", "S3"] * 100, [1.0] * (LEAST_EVENTS - 1) + [0.0] * (301 - LEAST_EVENTS))
    model = fit_case_mix(rows, FOLLICULITIS, FIRST_ON, LAST_ON, floor=10)
    assert model.whole is not None
    assert model.whole.method == "no_factors"
    assert model.whole.coefficients == pytest.approx([(LEAST_EVENTS - 1) / 300])
    assert model.checks is None


def test_a_group_without_an_event_is_penalised_instead_of_refused() -> None:
    """Separation: no smoker has the event, so that the likeliest log odds have no bound."""
    smoking: list[str | None] = ["current"] * 100 + ["never"] * 400
    rows = table(["S1", "S2"] * 250, [0.0] * 100 + [1.0, 0.0, 0.0, 0.0] * 100, smoking=smoking)
    model = fit_case_mix(rows, FOLLICULITIS, FIRST_ON, LAST_ON, floor=10)
    assert model.whole is not None
    assert model.whole.method == "firth"
    assert np.isfinite(model.whole.coefficients).all()
    expected = predicted(model.whole, rows, model.factors)
    assert expected.mean() == pytest.approx(0.2, rel=1e-6)  # by hand: 100 of 500; the refitted intercept keeps it
    assert expected[(rows["smoking"] == "current").to_numpy()].max() < 0.02


def test_nobody_in_the_reference_period_gives_no_model() -> None:
    model = fit_case_mix(sessions(COUNTS).clear(), FOLLICULITIS, FIRST_ON, LAST_ON, floor=10)
    assert model.whole is None
    assert model.fit_for("S1") is None
    assert model.expected(sessions({"S1": 5}), "S1") is None


def test_grafts_that_did_not_grow_are_expected_as_often_as_seen() -> None:
    """By hand: the equation that the fit solves. One area counts more than was placed, and stays in."""
    rows = table(
        ["S1", "S2", "S3", "S4"] * 20, [2.0, 6.0, -1.0, 5.0] * 20, weight=[40.0] * 80, smoking=["never", "current"] * 40
    )
    model = fit_case_mix(rows, COMPARED["grafts_not_grown"], FIRST_ON, LAST_ON, floor=10)
    assert model.whole is not None
    assert model.whole.method == "quasi_binomial"
    expected = predicted(model.whole, rows, model.factors) * 40
    assert expected.sum() == pytest.approx(240)  # by hand: 20 times 2 + 6 - 1 + 5
    assert expected[(rows["smoking"] == "never").to_numpy()].sum() == pytest.approx(20)  # by hand: 20 times 2 - 1


def test_no_factor_is_a_choice_of_the_surgeon() -> None:
    for measure in COMPARED.values():
        assert not {factor.name for factor in measure.factors} & set(CHOSEN_BY_SURGEON)


def test_what_is_not_recorded_is_a_group_and_a_new_level_counts_with_the_first() -> None:
    smoking: list[str | None] = ["never"] * 60 + ["current"] * 30 + [None] * 30
    rows = table(["S1"] * 120, [0.0] * 120, smoking=smoking)
    (factor,) = plan_factors(rows, FOLLICULITIS.factors, 10, 5)
    assert factor.groups == ("never", "current", NOT_KNOWN)
    later = table(["S1"] * 3, [0.0] * 3, smoking=["former", None, "current"])
    assert columns_of(later, [factor])[0].tolist() == [[0, 0], [0, 1], [1, 0]]  # by hand
    assert Factor.from_dict(factor.as_dict()) == factor


def test_a_number_not_known_stands_at_the_middle_with_a_column_of_its_own() -> None:
    ages = pl.Series("age_at_first_surgery_years", [30, 40, 50] * 20 + [None] * 20, dtype=pl.Int64)
    rows = table(["S1"] * 80, [0.0] * 80).with_columns(ages)
    (factor,) = plan_factors(rows, FOLLICULITIS.factors, 10, 5)
    assert (factor.centre, factor.gap) == (40.0, True)
    x, names = columns_of(rows, [factor])
    assert names == ("age_at_first_surgery_years", f"age_at_first_surgery_years {NOT_KNOWN}")
    assert x[[0, 1, 2, -1]].tolist() == [[-1, 0], [0, 0], [1, 0], [0, 1]]  # by hand: steps of ten years


def test_checks_are_of_patients_left_out_of_the_fit() -> None:
    """With a real factor the c-statistic is above a half; with none it is near it. Regression only: how far above."""
    real = fit_case_mix(sessions(COUNTS, smoking=1.2), FOLLICULITIS, FIRST_ON, LAST_ON, floor=10).checks
    none = fit_case_mix(sessions(COUNTS, smoking=0.0), FOLLICULITIS, FIRST_ON, LAST_ON, floor=10).checks
    assert real is not None
    assert none is not None
    assert real.c_statistic is not None
    assert none.c_statistic is not None
    assert real.c_statistic > 0.58
    assert none.c_statistic == pytest.approx(0.5, abs=0.08)
    assert real.slope == pytest.approx(1.0, abs=0.35)
    assert sum(group.n for group in real.groups) == sum(COUNTS.values())
