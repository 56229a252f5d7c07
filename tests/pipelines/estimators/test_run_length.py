"""Limits and run lengths of the CUSUM: by hand, simulation and Markov chain against each other."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from pipelines.estimators.run_length import (
    false_alarm_budget,
    markov_run_length,
    simulated_limit,
    simulated_poisson_limit,
)
from pipelines.estimators.surveillance import cusum_path, cusum_weights, poisson_cusum_weights

RISKS = np.random.default_rng(0).beta(2, 18, 500)
"""Made up: about one in ten on average, from 1 to 40 %."""


def test_run_length_of_one_event_by_hand() -> None:
    """By hand: a limit below the weight of an event makes each event an alarm, so the run length is 1 / risk."""
    assert min(cusum_weights([1, 1, 1], [0.1, 0.2, 0.3])) > 0.4
    assert markov_run_length(0.4, [0.2]) == pytest.approx(5.0, rel=1e-6)
    assert markov_run_length(0.4, [0.1, 0.3]) == pytest.approx(5.0, rel=1e-6)


def test_run_length_of_two_events_by_hand() -> None:
    """By hand, at a risk of 0.2 (weights 0.51 and -0.18) with a limit of 0.55: after an event the sum is 0.51, then
    0.33, 0.15 and 0; another event is an alarm from 0.51, 0.33 and 0.15 alike. So N = 1 / p + M, with M the cases from
    the first event to an alarm or back to 0: M = (1 - q**3) / p + q**3 N, N = (1 + 1 - q**3) / (p (1 - q**3))."""
    up, down = cusum_weights([1, 0], [0.2, 0.2])
    assert up + 3 * down < 0 < up + 2 * down
    assert up < 0.55 < 2 * up + 2 * down
    q = 0.8**3
    assert markov_run_length(0.55, [0.2], states=1000) == pytest.approx((2 - q) / (0.2 * (1 - q)), rel=1e-3)


def test_steps_of_the_grid_do_not_matter() -> None:
    fine, coarse = (markov_run_length(3.0, RISKS, states=states) for states in (800, 200))
    assert coarse == pytest.approx(fine, rel=0.01)


def test_a_higher_limit_takes_longer_and_a_change_is_found_sooner() -> None:
    lengths = [markov_run_length(limit, RISKS[:100], states=200) for limit in (1.0, 2.0, 3.0)]
    assert lengths == sorted(lengths)
    delays = [markov_run_length(2.0, RISKS[:100], true_odds_ratio=r, states=200) for r in (0.5, 1.0, 1.5, 2.0, 4.0)]
    assert delays == sorted(delays, reverse=True)


def test_the_same_seed_gives_the_same_limit() -> None:
    first, again = (simulated_limit(RISKS, 50.0, runs=300, seed=4) for _ in range(2))
    assert first == again
    assert simulated_limit(RISKS, 50.0, runs=300, seed=5).limit != first.limit


def test_simulated_limit_against_the_markov_chain() -> None:
    """Two methods: at the simulated limit the chain of Brook & Evans gives the same run length within 3 errors."""
    found = simulated_limit(RISKS, 200.0, runs=2000, seed=1)
    assert found.run_length == pytest.approx(200.0, rel=0.01)
    assert markov_run_length(found.limit, RISKS) == pytest.approx(200.0, abs=3 * found.std_error)
    assert found.std_error == pytest.approx(200.0 / math.sqrt(2000), rel=0.2)


def test_limit_to_look_for_improvement() -> None:
    """With an odds ratio of 1/2 likewise."""
    found = simulated_limit(RISKS, 200.0, 0.5, runs=1000, seed=2)
    assert markov_run_length(found.limit, RISKS, 0.5) == pytest.approx(200.0, abs=3 * found.std_error)


def test_poisson_limit_by_plain_simulation() -> None:
    """By brute force: charts of 1000 periods with this limit alarm about once in the run length."""
    found = simulated_poisson_limit([0.5, 1.5], 100.0, runs=1000, seed=3)
    random = np.random.default_rng(8)
    alarms = 0
    for _ in range(100):
        mean = random.choice([0.5, 1.5], size=1000)
        alarms += len(cusum_path(poisson_cusum_weights(random.poisson(mean), mean), found.limit).alarms)
    # about 1000 alarms are expected, 3 errors of them are 10 %; the limit itself has 3 errors of 10 %
    assert alarms == pytest.approx(1000, rel=0.14)


def test_false_alarm_budget_by_hand() -> None:
    """By hand: 12 charts of 50 cases, one false alarm in 1200 cases: a half in all; for 0.1 in all it takes 6000."""
    budget = false_alarm_budget([50] * 12, 1200)
    assert (budget.expected, budget.charts, budget.cases) == (0.5, 12, 600)
    assert budget.chance_of_any == pytest.approx(1 - math.exp(-0.5))
    assert false_alarm_budget([50] * 12, 600 / 0.1).expected == pytest.approx(0.1)
    assert false_alarm_budget([0], 1200).chance_of_any == 0.0


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: simulated_limit([], 100.0), "no case"),
        (lambda: simulated_limit([0.0, 1.0], 100.0), "left to chance"),
        (lambda: simulated_limit([0.1], 5.0), "run length"),
        (lambda: simulated_limit([0.1], 100.0, runs=10), "runs"),
        (lambda: simulated_limit([0.1], 100.0, 1.0), "odds ratio"),
        (lambda: simulated_poisson_limit([0.0], 100.0), "nothing is expected"),
        (lambda: simulated_poisson_limit([-1.0], 100.0), "at least 0"),
        (lambda: markov_run_length(0.0, [0.1]), "limit above 0"),
        (lambda: markov_run_length(1.0, [0.1], states=3), "states"),
        (lambda: markov_run_length(1.0, [1.5]), "risk"),
        (lambda: false_alarm_budget([], 100), "at least one chart"),
        (lambda: false_alarm_budget([-1], 100), "at least 0"),
        (lambda: false_alarm_budget([10], 0), "run length"),
    ],
)
def test_bad_input_is_named(call: Callable[[], object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        call()


@pytest.mark.slow
def test_budget_of_many_surgeons_without_any_change() -> None:
    """Simulation, seeded: 30 surgeons, 300 cases each, limit for one false alarm in 1000 cases: about 9 expected."""
    limit = simulated_limit(RISKS, 1000.0, seed=6).limit
    random = np.random.default_rng(12)
    counts = []
    for _ in range(60):
        risk = random.choice(RISKS, size=(30, 300))
        outcome = (random.random(risk.shape) < risk).astype(int)
        counts.append(
            sum(len(cusum_path(cusum_weights(*row), limit).alarms) for row in zip(outcome, risk, strict=True))
        )
    expected = false_alarm_budget([300] * 30, 1000.0).expected
    assert expected == 9.0
    # the sum starts at 0 and needs a while to rise, so a short chart has a little fewer
    assert 0.8 * expected < np.mean(counts) < 1.03 * expected


@pytest.mark.slow
def test_delay_after_a_true_doubling_of_odds() -> None:
    """Simulation by the plain recursion, seeded, against the Markov chain: with one false alarm in 1000 cases at a mean
    risk of 10 %, a doubling of all odds is found after 86 cases on average (about 15 events), from a sum of 0 on."""
    limit = simulated_limit(RISKS, 1000.0, seed=6).limit
    random = np.random.default_rng(9)
    now, delay, waiting = np.zeros(6000), np.zeros(6000), np.ones(6000, dtype=bool)
    while waiting.any():
        risk = random.choice(RISKS, 6000)
        outcome = random.random(6000) < 2 * risk / (1 + risk)
        now = np.maximum(0.0, now + outcome * math.log(2) - np.log1p(risk))
        delay += waiting
        waiting &= now < limit
    by_chain = markov_run_length(limit, RISKS, true_odds_ratio=2.0)
    assert by_chain == pytest.approx(86, abs=3)
    assert delay.mean() == pytest.approx(by_chain, abs=3 * delay.std() / math.sqrt(6000))
