"""CUSUM, expected less observed and moving average, by hand, against published weights and brute force."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom

from pipelines.estimators import CountsError
from pipelines.estimators.funnel import share_limits
from pipelines.estimators.surveillance import (
    cusum_path,
    cusum_weights,
    expected_minus_observed,
    moving_average,
    poisson_cusum_weights,
)

CASES = st.lists(st.tuples(st.integers(0, 1), st.floats(0.01, 0.99)), min_size=1, max_size=60)


def logistic(score: float, intercept: float) -> float:
    return 1 / (1 + math.exp(-(intercept + 0.077 * score)))


@pytest.mark.parametrize(("score", "with_event", "without"), [(0, 0.67, -0.024), (50, 0.26, -0.43)])
def test_weights_of_steiner_2000(score: int, with_event: float, without: float) -> None:
    """Published: Steiner, Cook, Farewell & Treasure 2000, Biostatistics 1:441-452, p. 446: logit of the risk -3.68 +
    0.077 x score, odds ratio 2; the weights of patients with a score of 0 and of 50, as the tests of the R package vlad
    quote the page."""
    risk = logistic(score, -3.68)
    found = cusum_weights([1, 0], [risk, risk], 2.0)
    assert found[0] == pytest.approx(with_event, abs=0.005)
    assert found[1] == pytest.approx(without, abs=0.005 if score else 0.0005)


@pytest.mark.parametrize(
    ("score", "odds_ratio", "with_event", "without"),
    [(0, 2.0, 0.669, -0.024), (50, 2.0, 0.26, -0.433), (0, 0.5, -0.681, 0.012), (50, 0.5, -0.377, 0.316)],
)
def test_weights_of_steiner_2014(score: int, odds_ratio: float, with_event: float, without: float) -> None:
    """Published: Steiner 2014 in Statistics in Action (ed. Lawless), p. 234, same patients, three digits, also looking
    for better; as the tests of the R package vlad quote the page."""
    risk = logistic(score, -3.68)
    found = cusum_weights([1, 0], [risk, risk], odds_ratio)
    assert found.tolist() == pytest.approx([with_event, without], abs=0.0005)


def test_weight_of_rigdon_and_fricker() -> None:
    """Published: Rigdon & Fricker 2015, Health Surveillance, pp. 225-226, as the manual of the R package vlad gives it:
    score 19, no event, logit -3.67 + 0.077 x score, odds ratio 1/2: 0.05083."""
    (found,) = cusum_weights([0], [logistic(19, -3.67)], 0.5)
    assert found == pytest.approx(0.05083, abs=1.5e-5)


def test_weights_by_hand() -> None:
    """By hand: the ratio of the chances of what was seen, at odds twice those of 0.2 (a third) and at 0.2."""
    found = cusum_weights([1, 0], [0.2, 0.2], 2.0)
    assert found.tolist() == pytest.approx([math.log((1 / 3) / 0.2), math.log((2 / 3) / 0.8)])
    counts = poisson_cusum_weights([2], [1.5], 2.0)
    assert counts[0] == pytest.approx(math.log(3.0**2 * math.exp(-3.0) / (1.5**2 * math.exp(-1.5))))


@given(CASES, st.floats(0.2, 5.0).filter(lambda r: abs(r - 1) > 0.01))
def test_weights_are_against_the_change_on_average(cases: list[tuple[int, float]], odds_ratio: float) -> None:
    """In control the expected weight of every case is below 0, and without an event its sign is that of no change."""
    risk = [row[1] for row in cases]
    with_event, without = (cusum_weights([y] * len(risk), risk, odds_ratio) for y in (1, 0))
    assert (np.array(risk) * with_event + (1 - np.array(risk)) * without < 0).all()
    assert (without < 0).all() == (odds_ratio > 1)


def test_path_by_hand() -> None:
    """By hand, with an alarm that starts the sum at 0 again and a restart before the sixth case."""
    path = cusum_path([1.0, 1.5, 1.0, -3.0, 1.0, 1.0, 1.0], limit=2.5, restarts=[5])
    assert path.values.tolist() == [1.0, 2.5, 1.0, 0.0, 1.0, 1.0, 2.0]
    assert (path.alarms, path.restarts) == ((1,), (5,))
    assert cusum_path([], 1.0).alarms == ()


@given(st.lists(st.floats(-2, 2), max_size=80), st.floats(0.5, 5.0), st.lists(st.integers(0, 79), max_size=3))
def test_path_is_that_of_the_recursion(weights: list[float], limit: float, places: list[int]) -> None:
    """By brute force: max(0, sum + weight), case by case, from 0 after an alarm or a restart."""
    restarts = [place for place in places if place < len(weights)]
    values, alarms, now = [], [], 0.0
    for place, weight in enumerate(weights):
        if place in restarts or (alarms and alarms[-1] == place - 1):
            now = 0.0
        now = max(0.0, now + weight)
        values.append(now)
        if now >= limit + 1e-9:
            alarms.append(place)
        elif now >= limit - 1e-9:
            return  # rounding decides: either way is right
    path = cusum_path(weights, limit, restarts)
    assert path.alarms == tuple(alarms)
    assert path.values.tolist() == pytest.approx(values, abs=1e-9)


def test_expected_minus_observed_by_hand() -> None:
    path = expected_minus_observed([0, 1, 0], [0.2, 0.3, 0.4])
    assert path.values.tolist() == pytest.approx([0.2, -0.5, -0.1])


def test_limits_of_equal_risks_are_those_of_the_funnel() -> None:
    """By another computation: after n cases of one risk the count is binomial."""
    risk, n = 0.15, 80
    path = expected_minus_observed([0] * n, [risk] * n, level=0.95)
    lower, upper = share_limits(risk, range(1, n + 1), 0.95)
    cases = np.arange(1, n + 1)
    assert path.lower == pytest.approx(cases * (risk - upper))
    assert path.upper == pytest.approx(cases * (risk - lower))
    assert binom.sf(math.floor(upper[-1] * n), n, risk) < 0.025


@given(CASES)
def test_limits_hold_0_and_move_with_the_cases(cases: list[tuple[int, float]]) -> None:
    outcome, risk = [row[0] for row in cases], [row[1] for row in cases]
    path = expected_minus_observed(outcome, risk)
    assert (path.lower <= 1e-12).all()
    assert (path.upper >= -1e-12).all()
    assert path.values[-1] == pytest.approx(sum(risk) - sum(outcome), abs=1e-9)


def test_moving_average_by_hand() -> None:
    """By hand: from 0.2 on, half of the new and half of the old; variance 0.25 x 0.16, then a quarter of it more."""
    found = moving_average([1, 0], [0.2, 0.2], weight=0.5, level=0.95)
    assert found.observed.tolist() == pytest.approx([0.6, 0.3])
    assert found.expected.tolist() == pytest.approx([0.2, 0.2])
    assert found.upper.tolist() == pytest.approx([0.2 + 1.959964 * 0.2, 0.2 + 1.959964 * 0.2 * math.sqrt(1.25)])
    assert found.lower.tolist() == [0.0, 0.0]


@given(CASES, st.floats(0.01, 1.0))
def test_moving_averages_stay_shares(cases: list[tuple[int, float]], weight: float) -> None:
    found = moving_average([row[0] for row in cases], [row[1] for row in cases], weight)
    for column in (found.observed, found.expected, found.lower, found.upper):
        assert (column >= -1e-12).all()
        assert (column <= 1 + 1e-12).all()
    assert (found.lower <= found.expected + 1e-12).all()
    assert (found.expected <= found.upper + 1e-12).all()


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: cusum_weights([], []), "no case"),
        (lambda: cusum_weights([1], [0.2, 0.3]), "one for each risk"),
        (lambda: cusum_weights([2], [0.2]), "1 or 0"),
        (lambda: cusum_weights([1], [1.2]), "risk"),
        (lambda: cusum_weights([1], [math.nan]), "risk"),
        (lambda: cusum_weights([1], [0.2], 1.0), "odds ratio"),
        (lambda: cusum_weights([1], [0.2], -2.0), "odds ratio"),
        (lambda: poisson_cusum_weights([1], [-1.0]), "at least 0"),
        (lambda: poisson_cusum_weights([1], [1.0], 0.0), "rate ratio"),
        (lambda: cusum_path([1.0], 0.0), "limit"),
        (lambda: cusum_path([math.nan], 1.0), "missing"),
        (lambda: cusum_path([1.0], 1.0, restarts=[1]), "outside the cases"),
        (lambda: moving_average([1], [0.2], weight=0.0), "weight"),
        (lambda: moving_average([1], [0.2], level=95), "level"),
        (lambda: expected_minus_observed([1], [0.2], level=1.0), "level"),
    ],
)
def test_bad_input_is_named(call: Callable[[], object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        call()


def test_counts_errors() -> None:
    with pytest.raises(CountsError):
        expected_minus_observed([], [])
