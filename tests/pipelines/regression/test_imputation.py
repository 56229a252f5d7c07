"""Imputation and pooling: by hand, against other software, and on data with a known truth."""

import numpy as np
import pytest

from pipelines.regression.imputation import Variable, cumulative_hazard, imputed
from pipelines.regression.pooling import pooled


def test_pooling_by_hand() -> None:
    """By hand: estimates 1, 2, 3 with variances 1: within 1, between 1, total 1 + 4/3; Rubin's degrees of freedom
    2 / (4/7)^2 = 6.125; observed 98/100 x 97 x 3/7 with 97 complete; Barnard-Rubin joins both."""
    result = pooled([np.array([1.0]), np.array([2.0]), np.array([3.0])], [np.array([1.0])] * 3, 97)
    observed = 98 / 100 * 97 * 3 / 7
    assert result.estimate[0] == pytest.approx(2)
    assert result.standard_error[0] == pytest.approx((7 / 3) ** 0.5)
    assert result.missing_information[0] == pytest.approx(4 / 7)
    assert result.degrees_of_freedom[0] == pytest.approx(1 / (1 / 6.125 + 1 / observed))


def test_nothing_between_the_sets_keeps_the_limits_finite() -> None:
    result = pooled([np.ones(1)] * 5, [np.ones(1)] * 5, 50)
    assert np.isfinite(np.concatenate(result.limits())).all()
    assert result.missing_information[0] == 0


def test_pooling_needs_two_sets() -> None:
    with pytest.raises(ValueError, match="at least two"):
        pooled([np.ones(1)], [np.ones(1)], 10)


def test_cumulative_hazard_by_hand() -> None:
    """By hand: events on days 1 and 3 of three people, one censored on day 2: 1/3, 1/3, 1/3 + 1; the second again
    if seen only after day 1: 0, and then 2 people are at risk on day 1."""
    exits, event, none = np.array([1.0, 2, 3]), np.array([1, 0, 1]), np.full(3, -np.inf)
    np.testing.assert_allclose(cumulative_hazard(exits, none, event), [1 / 3, 1 / 3, 4 / 3])
    np.testing.assert_allclose(cumulative_hazard(exits, np.array([-np.inf, 1.0, -np.inf]), event), [1 / 2, 0, 3 / 2])


def gappy(random: np.random.Generator, n: int = 4000) -> tuple[np.ndarray, list[Variable]]:
    """x known; y = x + noise and a group that goes with x, both missing more often where x is high."""
    x = random.normal(size=n)
    y = x + random.normal(size=n)
    group = (random.random(n) < 1 / (1 + np.exp(-1.5 * x))).astype(float) + (random.random(n) < 0.2)
    hidden = [random.random(n) < 0.6 * (x > 0) + 0.1 for _ in range(2)]
    variables = [
        Variable("y", np.where(hidden[0], np.nan, y)),
        Variable("group", np.where(hidden[1], np.nan, group), levels=3),
    ]
    return np.column_stack([x, y, group]), variables


def test_recovers_what_was_hidden_on_average() -> None:
    """Known truth: missing where x is high, so the mean of those known is off; the imputed mean is not."""
    truth, variables = gappy(np.random.default_rng(8))
    sets = list(imputed(variables, truth[:, :1], count=5, seed=1))
    known = np.nanmean(variables[0].values)
    assert abs(known - truth[:, 1].mean()) > 0.2
    assert np.mean([each["y"].mean() for each in sets]) == pytest.approx(truth[:, 1].mean(), abs=0.06)
    for level in range(3):
        share = np.mean([(each["group"] == level).mean() for each in sets])
        assert share == pytest.approx((truth[:, 2] == level).mean(), abs=0.03)


def test_keeps_what_is_known_draws_only_what_occurs_and_repeats() -> None:
    truth, variables = gappy(np.random.default_rng(9), 500)
    first, again = (list(imputed(variables, truth[:, :1], count=2, seed=4)) for _ in range(2))
    for variable in variables:
        known = ~np.isnan(variable.values)
        for one, other in zip(first, again, strict=True):
            np.testing.assert_array_equal(one[variable.name], other[variable.name])
            np.testing.assert_array_equal(one[variable.name][known], variable.values[known])
            assert set(one[variable.name]) <= set(variable.values[known])
    assert (first[0]["y"] != first[1]["y"]).any()
