"""Logistic regression, ordinary and penalised: against other software, by hand, and where it must refuse."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipelines.regression.errors import ModelError
from pipelines.regression.few_patients import bias_reduced_scores
from pipelines.regression.firth import firth_limits, fit_firth, pooled_firth_limits
from pipelines.regression.logistic import fit_logistic
from pipelines.regression.observations import Observations
from pipelines.regression.risk_difference import risk_difference

REFERENCE = Path(__file__).parents[2] / "reference"
FIRTH = json.loads((REFERENCE / "firth.json").read_text(encoding="utf-8"))["results"]
CGD = ("treated", "age", "x_linked", "steroids")


def cgd(*, first: bool = False) -> Observations:
    data = pl.read_csv(REFERENCE / "data" / "cox_cgd.csv")
    if first:
        data = data.unique("patient", keep="first", maintain_order=True)
    return Observations(
        data.select(CGD).to_numpy().astype(float),
        CGD,
        data["event"].to_numpy().astype(float),
        data["patient"].to_numpy(),
    )


def of_table(yes: tuple[int, int], no: tuple[int, int]) -> Observations:
    """A table of two groups; everybody a patient."""
    outcome = np.repeat([1.0, 1.0, 0.0, 0.0], [*yes, *no])
    group = np.repeat([0.0, 1.0, 0.0, 1.0], [*yes, *no])
    return Observations(group[:, None], ("group",), outcome, np.arange(len(group)))


def firth_data(name: str) -> Observations:
    if name == "cgd":
        return cgd(first=True)
    data = pl.read_csv(REFERENCE / "data" / "firth_separated.csv")
    x = data.select("group", "value").to_numpy().astype(float)
    return Observations(x, ("group", "value"), data["event"].to_numpy().astype(float), np.arange(len(data)))


def test_other_software_statsmodels() -> None:
    """Other software: statsmodels GLM, binomial, errors by patient; and GEE with independence, whose robust errors
    lack the factor for few patients."""
    import statsmodels.api as sm

    seen = cgd()
    fit = fit_logistic(seen)
    other = sm.GLM(seen.outcome, seen.design(), family=sm.families.Binomial()).fit(
        cov_type="cluster", cov_kwds={"groups": seen.cluster}, tol=1e-12
    )
    np.testing.assert_allclose(fit.coefficients, other.params, rtol=1e-8)
    np.testing.assert_allclose(fit.covariance, other.cov_params(), rtol=1e-7, atol=1e-12)
    assert fit.log_likelihood == pytest.approx(other.llf, rel=1e-10)
    gee = sm.GEE(seen.outcome, seen.design(), groups=seen.cluster, family=sm.families.Binomial()).fit(
        cov_type="robust", ctol=1e-10
    )
    groups, (n, k) = seen.clusters, seen.design().shape
    factor = groups / (groups - 1) * (n - 1) / (n - k)
    np.testing.assert_allclose(fit.covariance, gee.cov_params() * factor, rtol=1e-5, atol=1e-9)


def test_other_software_bias_reduced_errors() -> None:
    """Other software: statsmodels GEE with independence, cov_type bias_reduced, patients of one to many sessions."""
    import statsmodels.api as sm

    seen = cgd()
    fit = fit_logistic(seen)
    x, share = seen.design(), fit.predicted
    weight = share * (1 - share)
    scores = bias_reduced_scores(x, weight, seen.outcome - share, seen.cluster)
    inverse = np.linalg.inv((x * weight[:, None]).T @ x)
    gee = sm.GEE(seen.outcome, x, groups=seen.cluster, family=sm.families.Binomial()).fit(
        cov_type="bias_reduced", ctol=1e-10
    )
    np.testing.assert_allclose(inverse @ scores.T @ scores @ inverse, gee.cov_params(), rtol=1e-5, atol=1e-9)


def test_sessions_of_a_patient_widen_the_limits_of_a_penalised_fit() -> None:
    """By hand: each observation twice tells no more than once, by patient; and one a patient leaves all as it is."""
    random = np.random.default_rng(11)
    x = random.normal(size=(120, 1))
    y = (random.random(120) < 0.15).astype(float)
    once = Observations(x, ("a",), y, np.arange(120))
    twice = Observations(np.repeat(x, 2, axis=0), ("a",), np.repeat(y, 2), np.repeat(np.arange(120), 2))
    alone, doubled = fit_firth(once), fit_firth(twice)
    np.testing.assert_array_equal(alone.covariance, alone.model_covariance)
    wider = np.diag(doubled.covariance) / np.diag(doubled.model_covariance)
    assert (wider > 1.5).all()  # near 2
    widths = [float(np.ptp(np.ravel(firth_limits(seen, fit)))) for seen, fit in ((once, alone), (twice, doubled))]
    assert widths[1] == pytest.approx(widths[0], rel=0.15)


def test_by_hand_two_groups() -> None:
    """By hand: 10 of 50 against 30 of 50 is an odds ratio of 6 and a difference of 0.4; errors from the counts, the
    robust ones with n/(n-1) * (n-1)/(n-2)."""
    seen = of_table((10, 30), (40, 20))
    fit = fit_logistic(seen)
    assert np.exp(fit.coefficients[1]) == pytest.approx(6)
    assert fit.model_covariance[1, 1] == pytest.approx(1 / 10 + 1 / 40 + 1 / 30 + 1 / 20)
    assert fit.covariance[1, 1] == pytest.approx((1 / 10 + 1 / 40 + 1 / 30 + 1 / 20) * 100 / 98)
    ones = np.ones((100, 1))
    found = risk_difference(seen, fit, ones, 0 * ones)
    assert (found.with_it, found.without) == (pytest.approx(0.6), pytest.approx(0.2))
    assert found.estimate == pytest.approx(0.4)
    assert found.standard_error == pytest.approx(np.sqrt((0.6 * 0.4 / 50 + 0.2 * 0.8 / 50) * 100 / 99))


def test_by_hand_firth_of_two_groups_adds_a_half_to_each_cell() -> None:
    """By hand: in a saturated table Jeffreys' prior adds 1/2 to each cell; FLIC gives back the share seen."""
    seen = of_table((0, 6), (30, 24))
    fit = fit_firth(seen)
    assert np.exp(fit.coefficients[1]) == pytest.approx(6.5 * 30.5 / (24.5 * 0.5), rel=1e-6)
    assert fit.predicted.mean() == pytest.approx(6 / 60)


@pytest.mark.parametrize("name", ["cgd", "separated"])
def test_other_software_firth_from_its_formula_in_r(name: str) -> None:
    """Other software: optim in R on the penalised likelihood; one group of `separated` has no event;
    tests/reference/firth.R."""
    seen, expected = firth_data(name), FIRTH[name]
    fit = fit_firth(seen)
    np.testing.assert_allclose(fit.coefficients, expected["coefficient"], rtol=2e-4, atol=2e-5)
    np.testing.assert_allclose(np.sqrt(np.diag(fit.covariance)), expected["standard_error"], rtol=2e-4)
    assert fit.log_likelihood == pytest.approx(expected["log_likelihood"], rel=1e-8)
    assert fit.risk_intercept == pytest.approx(expected["flic_intercept"], abs=2e-4)
    lower, upper = firth_limits(seen, fit)
    np.testing.assert_allclose(lower, expected["lower"], rtol=1e-3, atol=1e-4)
    np.testing.assert_allclose(upper, expected["upper"], rtol=1e-3, atol=1e-4)
    assert fit.predicted.mean() == pytest.approx(seen.outcome.mean())


def test_sets_that_are_all_the_same_pool_to_the_same_limits() -> None:
    seen = firth_data("separated")
    fit = fit_firth(seen)
    np.testing.assert_allclose(pooled_firth_limits([seen] * 3, [fit] * 3), firth_limits(seen, fit), atol=1e-3)


def test_columns_of_other_units_change_nothing_else() -> None:
    seen = cgd(first=True)
    size = np.array([1.0, 100.0, 3.0, 1.0])
    other = Observations(seen.x * size, seen.names, seen.outcome, seen.cluster)
    for fit in (fit_logistic, fit_firth):
        np.testing.assert_allclose(fit(other).coefficients[1:] * size, fit(seen).coefficients[1:], rtol=1e-5)


@pytest.mark.parametrize("fit", [fit_logistic, fit_firth])
def test_one_outcome_alone_is_refused(fit: Any) -> None:
    with pytest.raises(ModelError, match=r"^no event was seen"):
        fit(of_table((0, 0), (5, 6)))
    with pytest.raises(ModelError, match=r"^everybody had the event"):
        fit(of_table((5, 6), (0, 0)))


def test_complete_separation_is_refused_by_the_ordinary_and_fitted_by_firth() -> None:
    seen = of_table((0, 12), (12, 0))
    with pytest.raises(ModelError, match="without bound") as refused:
        fit_logistic(seen)
    assert refused.value.columns == ("group",)
    lower, upper = firth_limits(seen, fit_firth(seen))
    assert 0 < lower[0] < upper[0] < np.inf


@pytest.mark.parametrize(
    ("x", "outcome", "cluster", "words"),
    [
        (np.ones((4, 1)), [0, 1, 0, 1], [1, 2, 3, 4], "the same value for everybody: a"),
        (np.array([[1.0], [2], [3], [np.nan]]), [0, 1, 0, 1], [1, 2, 3, 4], "missing or not finite"),
        (np.array([[1.0], [2], [3], [4]]), [0, 1, 0, 1], [1, 1, 1, 1], "all observations are of one patient"),
        (np.zeros((0, 1)), [], [], "there is no observation"),
        (np.array([[1.0], [2], [3], [4]]), [0, 1, 0], [1, 2, 3], "different lengths"),
    ],
)
def test_bad_input_is_refused(x: Any, outcome: list[float], cluster: list[int], words: str) -> None:
    with pytest.raises(ModelError, match=words):
        Observations(x, ("a",), np.array(outcome, dtype=float), np.array(cluster, dtype=np.int64))


def test_repeated_columns_are_named() -> None:
    value = np.arange(6.0)
    with pytest.raises(ModelError, match="told already by the other columns: b"):
        Observations(np.column_stack([value, 2 * value + 1]), ("a", "b"), value > 2, np.arange(6))


def test_an_outcome_that_is_no_yes_or_no_is_refused() -> None:
    with pytest.raises(ModelError, match="neither yes nor no"):
        fit_firth(Observations(np.arange(3.0)[:, None], ("a",), np.array([0.0, 1, 2]), np.arange(3)))
