"""Counts over time with a spread wider than binomial: by hand, against the charts of single events, and corners."""

from __future__ import annotations

import numpy as np
import pytest

from pipelines.estimators.count_surveillance import counts_expected_minus_observed, counts_moving_average
from pipelines.estimators.errors import CountsError
from pipelines.estimators.limits import Floats
from pipelines.estimators.surveillance import expected_minus_observed, moving_average


def test_single_events_give_the_chart_of_single_events() -> None:
    """By hand: of one graft each, without extra spread, the average is the one of events to every digit, and the sum
    too, whose exact limits the normal ones come near after 400 cases."""
    random = np.random.default_rng(3)
    risk = random.uniform(0.1, 0.4, 400)
    outcome = (random.random(400) < risk).astype(int)
    one, variance = np.ones(400), risk * (1 - risk)
    mine, theirs = counts_moving_average(outcome, one, risk, variance), moving_average(outcome, risk)
    for name in ("observed", "expected", "lower", "upper"):
        assert getattr(mine, name) == pytest.approx(getattr(theirs, name))
    sums, exact = counts_expected_minus_observed(outcome, risk, variance), expected_minus_observed(outcome, risk)
    assert sums.values == pytest.approx(exact.values)
    assert sums.upper[-1] == pytest.approx(exact.upper[-1], rel=0.06)
    assert sums.lower[-1] == pytest.approx(exact.lower[-1], rel=0.06)


def test_by_hand() -> None:
    """Half the weight on each new case: sizes 15 then 22.5, lost 3 then 4, from means 20 and 2, so 3/15 and 4/22.5."""
    observed, size, expected, variance = (np.array(column) for column in ([4.0, 5.0], [10, 30.0], [1.0, 3.0], [4.0, 9]))
    path = counts_moving_average(observed, size, expected, variance, 0.5, level=0.95)
    assert path.observed.tolist() == pytest.approx([3 / 15, 4 / 22.5])
    assert path.expected.tolist() == pytest.approx([1.5 / 15, 2.25 / 22.5])
    reach = 1.959964 * np.sqrt(0.25 * 9 + 0.0625 * 4) / 22.5
    assert path.upper[1] == pytest.approx(0.1 + reach)
    assert path.lower[1] == 0.0


def test_more_may_grow_than_were_placed() -> None:
    path = counts_expected_minus_observed(np.array([-2.0, 1.0]), np.array([1.0, 1.0]), np.array([1.0, 1.0]))
    assert path.values.tolist() == [3.0, 3.0]


@pytest.mark.parametrize(
    "columns",
    [
        ([], [], []),
        ([1.0], [1.0, 2.0], [1.0]),
        ([np.nan], [1.0], [1.0]),
        ([1.0], [-1.0], [1.0]),
        ([1.0], [1.0], [-1.0]),
    ],
)
def test_refusals(columns: tuple[list[float], list[float], list[float]]) -> None:
    observed, expected, variance = (np.array(column) for column in columns)
    with pytest.raises(CountsError):
        counts_expected_minus_observed(observed, expected, variance)


def test_refusals_of_sizes_and_weights() -> None:
    one: Floats = np.ones(2)
    with pytest.raises(CountsError, match="above 0"):
        counts_moving_average(one, np.array([1.0, 0.0]), one, one)
    with pytest.raises(ValueError, match="weight"):
        counts_moving_average(one, one, one, one, 0.0)
