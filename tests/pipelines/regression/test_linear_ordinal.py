"""Linear and ordinal regression: against other software, by hand, coverage, and where they must refuse."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from scipy.stats import t

from pipelines.regression.errors import ModelError, SeparationError
from pipelines.regression.linear import fit_linear
from pipelines.regression.logistic import fit_logistic
from pipelines.regression.observations import Observations
from pipelines.regression.ordinal import fit_ordinal, proportional_odds_test


def rated(n: int, seed: Any, *, slope: float = 0.7, leaning: float = 1.0) -> Observations:
    """Three ratings a patient from 0 to 4 with a shared leaning; `a` is of the patient, `b` of the rating."""
    random = np.random.default_rng(seed)
    cluster = np.repeat(np.arange(n), 3)
    x = np.column_stack([random.integers(0, 2, n)[cluster], random.normal(size=3 * n)]).astype(float)
    latent = x @ [slope, -0.3] + leaning * random.normal(size=n)[cluster] + random.logistic(size=3 * n)
    return Observations(x, ("a", "b"), np.digitize(latent, [-1.5, 0, 1, 2.5]).astype(float), cluster)


def test_other_software_statsmodels_ols() -> None:
    """Other software: statsmodels GEE with independence, its bias-reduced errors by patient."""
    import statsmodels.api as sm

    seen = rated(80, 1)
    fit = fit_linear(seen)
    other = sm.GEE(seen.outcome, seen.design(), groups=seen.cluster).fit(cov_type="bias_reduced", ctol=1e-12)
    np.testing.assert_allclose(fit.coefficients, other.params, rtol=1e-8)
    np.testing.assert_allclose(fit.covariance, other.cov_params(), rtol=1e-7)


def test_a_patient_who_alone_has_a_level_leaves_errors_finite() -> None:
    seen = rated(30, 4)
    alone = Observations(
        np.column_stack([seen.x, seen.cluster == 7]).astype(float), ("a", "b", "c"), seen.outcome, seen.cluster
    )
    fit = fit_linear(alone)
    others = fit_linear(seen.taken(seen.cluster != 7))
    # the others' errors stay what they are without that patient, but for what he tells of `b`
    np.testing.assert_allclose(np.diag(fit.covariance)[:3], np.diag(others.covariance), rtol=0.3)


def test_other_software_statsmodels_ordered_model() -> None:
    """Other software: statsmodels OrderedModel; its errors take ratings as independent."""
    from statsmodels.miscmodels.ordinal_model import OrderedModel

    seen = rated(150, 2)
    fit = fit_ordinal(seen)
    other = OrderedModel(seen.outcome.astype(int), seen.x, distr="logit").fit(method="bfgs", disp=0, gtol=1e-9)
    np.testing.assert_allclose(fit.slopes, other.params[:2], atol=1e-5)
    np.testing.assert_allclose(fit.model_errors[-2:], other.bse[:2], rtol=1e-4)
    np.testing.assert_allclose(-fit.cuts, other.model.transform_threshold_params(other.params)[1:-1], atol=1e-5)
    assert fit.log_likelihood == pytest.approx(other.llf, rel=1e-9)


def test_by_hand_two_ratings_are_logistic_regression() -> None:
    """By hand: with two ratings, proportional odds is logistic regression, robust errors too."""
    seen = rated(100, 3)
    two = Observations(seen.x, seen.names, (seen.outcome > 1).astype(float), seen.cluster)
    ordinal, logistic = fit_ordinal(two), fit_logistic(two)
    np.testing.assert_allclose(ordinal.slopes, logistic.slopes, rtol=1e-6)
    np.testing.assert_allclose(ordinal.slope_covariance, logistic.slope_covariance, rtol=1e-5)
    np.testing.assert_allclose(ordinal.cuts, logistic.coefficients[:1], rtol=1e-6)


def test_by_hand_means_of_two_groups() -> None:
    """By hand: 1, 3 against 4, 8: means 2 and 6, residuals 1, 1, 2, 2, each stretched by 1 / (1 - 1/2), since it is one
    of two that make its mean. Their squares over each group's count squared: (2 * 4 + 2 * 16) / 4."""
    seen = Observations(np.array([[0.0], [0], [1], [1]]), ("g",), np.array([1.0, 3, 4, 8]), np.arange(4))
    fit = fit_linear(seen)
    assert fit.slopes == pytest.approx([4.0])
    assert fit.slope_covariance[0, 0] == pytest.approx((2 * 4 + 2 * 16) / 4)


@pytest.mark.parametrize("fit", [fit_linear, fit_ordinal])
def test_one_outcome_is_refused(fit: Callable[[Observations], Any]) -> None:
    with pytest.raises(ModelError, match="the outcome is the same everywhere"):
        fit(Observations(np.arange(4.0)[:, None], ("a",), np.full(4, 7.0), np.arange(4)))


def test_as_many_coefficients_as_observations_are_refused() -> None:
    with pytest.raises(ModelError, match="fewer observations than coefficients"):
        fit_linear(Observations(np.arange(2.0)[:, None], ("a",), np.arange(2.0), np.arange(2)))


def test_a_covariate_that_tells_the_rating_is_refused() -> None:
    group = np.repeat([0.0, 1.0], 20)
    with pytest.raises(SeparationError, match="without bound: group"):
        fit_ordinal(
            Observations(
                np.where(np.arange(40) < 2, 1.0, 0.0)[:, None],
                ("group",),
                np.r_[9, 9, np.tile([1.0, 2.0], 19)],
                np.arange(40),
            )
        )
    with pytest.raises(SeparationError, match="without bound: group"):
        fit_ordinal(Observations(group[:, None], ("group",), np.tile([1.0, 2.0], 20) + 5 * group, np.arange(40)))


def test_the_check_of_proportional_odds_sees_what_is_not_proportional() -> None:
    """Known truth: `a` moves the rating by one ratio everywhere; `c` spreads ratings out without moving them."""
    random = np.random.default_rng(5)
    n = 4000
    x = np.column_stack([random.integers(0, 2, n), random.integers(0, 2, n)]).astype(float)
    latent = 0.7 * x[:, 0] + (1 + x[:, 1]) * random.logistic(size=n)
    seen = Observations(x, ("a", "c"), np.digitize(latent, [-2, -0.7, 0.7, 2]).astype(float), np.arange(n))
    found = proportional_odds_test(seen, {"a": [0], "c": [1]})
    assert found["c"] < 1e-6
    assert found["all"] < 1e-6


def test_the_check_leaves_out_a_level_that_is_all_on_one_side() -> None:
    """By hand: the check is the same as without the ten in a group whose ratings are all the highest."""
    seen = rated(120, 8)
    few = np.arange(seen.size) < 10
    x = np.column_stack([seen.x, few])
    with_level = Observations(x, (*seen.names, "few"), np.where(few, 4.0, seen.outcome), seen.cluster)
    found = proportional_odds_test(with_level, {"a": [0], "b": [1], "few": [2]})
    assert found == pytest.approx(proportional_odds_test(seen.taken(~few), {"a": [0], "b": [1]}))
    assert set(found) == {"a", "b", "all"}


def test_two_ratings_have_nothing_to_check() -> None:
    seen = rated(50, 6)
    two = Observations(seen.x, seen.names, (seen.outcome > 1).astype(float), seen.cluster)
    assert proportional_odds_test(two, {"a": [0], "b": [1]}) == {}


@pytest.mark.slow
def test_coverage_with_three_ratings_a_patient() -> None:
    """Known truth 0 of a covariate of the patient, with a strong shared leaning: errors by patient cover, those by
    rating do not, and the check of proportional odds is right at its level. 400 replicates."""
    linear, ordinal, naive, small = [], [], [], []
    for number in range(400):
        seen = rated(120, [7, number], slope=0.0, leaning=2.0)
        reach = t.ppf(0.975, 119)
        means, odds = fit_linear(seen), fit_ordinal(seen)
        linear.append(abs(means.slopes[0]) < reach * np.sqrt(means.slope_covariance[0, 0]))
        ordinal.append(abs(odds.slopes[0]) < reach * np.sqrt(odds.slope_covariance[0, 0]))
        naive.append(abs(odds.slopes[0]) < reach * odds.model_errors[-2])
        small.append(proportional_odds_test(seen, {"a": [0], "b": [1]})["a"] < 0.05)
    allowed = 3.5 * np.sqrt(0.95 * 0.05 / 400)
    assert np.mean(linear) == pytest.approx(0.95, abs=allowed)
    assert np.mean(ordinal) == pytest.approx(0.95, abs=allowed)
    assert np.mean(naive) < 0.88
    assert np.mean(small) == pytest.approx(0.05, abs=allowed)


@pytest.mark.slow
def test_coverage_with_twenty_patients() -> None:
    """Known truth 0 of a covariate of the patient, three ratings each with a strong shared leaning; 1,000 times."""
    covered = []
    for number in range(1000):
        fit = fit_linear(rated(20, [9, number], slope=0.0, leaning=2.0))
        covered.append(abs(fit.slopes[0]) < t.ppf(0.975, 20 - 3) * np.sqrt(fit.slope_covariance[0, 0]))
    assert np.mean(covered) == pytest.approx(0.95, abs=0.02)
