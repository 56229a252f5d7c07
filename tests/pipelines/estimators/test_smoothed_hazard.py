"""Smoothed hazard against a recomputation in other software, by hand and in simulations."""

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.estimators import clustered_survival, product_limit, risk_table, smoothed_hazard
from pipelines.estimators.smoothed_hazard import kernel_weights

Spells = Callable[[str], pl.DataFrame]
Results = Callable[[str], Any]


@pytest.mark.parametrize("name", ["lung", "mgus", "myeloma"])
def test_other_software_r_from_the_definition(name: str, reference_spells: Spells, reference_results: Results) -> None:
    """Other software: R, weights at the ends from numerical integrals; see tests/reference/smoothed_hazard.R."""
    expected = reference_results("smoothed_hazard")[name]
    curve = product_limit(risk_table(reference_spells(name)))
    ours = smoothed_hazard(curve, expected["day"], bandwidth_days=expected["bandwidth"])
    for row, estimate in enumerate(ours):
        if expected["estimate"][row] <= 0:
            assert (estimate.estimate, estimate.reason) == (None, "unstable_at_the_end")
            continue
        assert estimate.estimate == pytest.approx(expected["estimate"][row], rel=1e-8)
        assert estimate.std_error == pytest.approx(expected["std_error"][row], rel=1e-8)
        factor = math.exp(1.959963985 * expected["std_error"][row] / expected["estimate"][row])
        assert estimate.lower == pytest.approx(expected["estimate"][row] / factor, rel=1e-7)
        assert estimate.upper == pytest.approx(expected["estimate"][row] * factor, rel=1e-7)


@given(st.floats(0.0, 3.0), st.booleans())
def test_weights_have_total_1_and_mean_0(distance: float, at_the_right: bool) -> None:
    """By hand: numerical integrals over the followed part of the window."""
    left, right = (5.0, distance) if at_the_right else (distance, 5.0)
    x = np.linspace(-min(right, 1.0), min(left, 1.0), 20001)
    weights = kernel_weights(x, left, right)
    step = x[1] - x[0]
    inner = np.full(x.size, step)
    inner[[0, -1]] = step / 2
    assert (weights * inner).sum() == pytest.approx(1.0, abs=2e-4)
    assert (weights * x * inner).sum() == pytest.approx(0.0, abs=2e-4)
    assert np.all(kernel_weights(np.array([-1.5, 1.5]), left, right) == 0.0)


def test_in_the_middle_by_hand() -> None:
    """By hand: bandwidth 10, events on days 45 and 50 among 20 and 10: on day 50 weights 3/4 x 3/4 / 10, 3/4 / 10."""
    spells = pl.DataFrame({"exit_day": [45, 46, 50, 100], "events": [1, 0, 1, 0], "censored": [0, 9, 0, 9]})
    (estimate,) = smoothed_hazard(product_limit(risk_table(spells)), [50], bandwidth_days=10)
    assert estimate.events == 2
    assert estimate.estimate == pytest.approx(0.05625 / 20 + 0.075 / 10)
    assert estimate.std_error == pytest.approx(math.hypot(0.05625 / 20, 0.075 / 10))
    assert (estimate.limits_by, estimate.bandwidth_days) == ("log", 10)


def test_no_event_in_the_window_has_an_upper_limit() -> None:
    """By hand: 10 people on each of days 31 to 50, the window of day 40 being 30 to 50: 21 days, 210 person-days."""
    spells = pl.DataFrame({"exit_day": [5, 100], "events": [1, 0], "censored": [0, 10]})
    (estimate,) = smoothed_hazard(product_limit(risk_table(spells)), [40], bandwidth_days=10)
    assert (estimate.estimate, estimate.lower, estimate.std_error) == (0.0, 0.0, None)
    assert estimate.upper == pytest.approx(-math.log(0.025) / 210)
    assert estimate.limits_by == "poisson_no_events"


def test_says_nothing_it_cannot_know() -> None:
    late = pl.DataFrame({"entry_day": [20, 20], "exit_day": [60, 100], "events": [1, 0], "censored": [0, 1]})
    curve = product_limit(risk_table(late))
    before, inside, after = smoothed_hazard(curve, [20, 60, 101], bandwidth_days=30)
    assert (before.estimate, before.reason) == (None, "before_follow_up")
    assert inside.estimate is not None
    assert (after.estimate, after.reason) == (None, "beyond_follow_up")
    (wide,) = smoothed_hazard(curve, [60], bandwidth_days=41)
    assert (wide.estimate, wide.reason) == (None, "follow_up_too_short")
    # at the very start an event a bandwidth on counts against the estimate
    distant = pl.DataFrame({"exit_day": [18, 100], "events": [1, 0], "censored": [0, 9]})
    (start,) = smoothed_hazard(product_limit(risk_table(distant)), [0], bandwidth_days=20)
    assert (start.estimate, start.events, start.reason) == (None, 1, "unstable_at_the_end")
    with pytest.raises(ValueError, match="bandwidth_days 0"):
        smoothed_hazard(curve, [60], bandwidth_days=0)
    with pytest.raises(ValueError, match=r"0\.95"):
        smoothed_hazard(curve, [60], bandwidth_days=5, level=95)
    robust = clustered_survival(pl.DataFrame({"patient": [1, 2], "exit_day": [5, 60], "events": [1, 0]}))
    with pytest.raises(ValueError, match="clusters"):
        smoothed_hazard(robust, [30], bandwidth_days=5)


SPELLS = st.lists(st.tuples(st.integers(0, 40), st.integers(0, 1), st.integers(1, 9)), min_size=1, max_size=15)


@given(SPELLS, st.integers(1, 25), st.integers(0, 45))
def test_limits_enclose_and_are_numbers(spells: list[tuple[int, int, int]], bandwidth: int, day: int) -> None:
    rows = [(exit_day, event * n, (1 - event) * n) for exit_day, event, n in spells]
    table = risk_table(pl.DataFrame(rows, schema=["exit_day", "events", "censored"], orient="row"))
    (estimate,) = smoothed_hazard(product_limit(table), [day], bandwidth_days=bandwidth)
    assert (estimate.estimate is None) == (estimate.reason is not None)
    if estimate.estimate is not None:
        assert estimate.lower is not None
        assert estimate.upper is not None
        assert 0 <= estimate.lower <= estimate.estimate <= estimate.upper < math.inf
        assert estimate.lower < estimate.upper


@pytest.mark.slow
def test_recovers_a_hazard_that_rises_in_a_line() -> None:
    """Simulation: hazard 0.0002 + 0.0000004 t a day, 1,000 people, lost evenly over 2,500 days, bandwidth 300.

    A line is not bent by the kernel, not even within a bandwidth of the start, so limits must hold it: on days 30, 400
    and 1,200, within three Monte Carlo errors. The curve is read half a day early, as events are put on day ends.
    """
    rng, samples, people, days = np.random.default_rng(20261150), 1000, 1000, [30, 400, 1200]
    start, slope = 0.0002, 0.0000004
    truth = np.array([start + slope * (day - 0.5) for day in days])
    held, estimates = np.zeros(3), np.empty((samples, 3))
    for sample in range(samples):
        total = rng.exponential(1.0, people)
        event = np.ceil((np.sqrt(start**2 + 2 * slope * total) - start) / slope).astype(np.int64)
        lost = np.ceil(rng.uniform(0, 2500, people)).astype(np.int64)
        had_it = (event <= lost).astype(np.int64)
        spells = pl.DataFrame({"exit_day": np.minimum(event, lost), "events": had_it, "censored": 1 - had_it})
        ours = smoothed_hazard(product_limit(risk_table(spells)), days, bandwidth_days=300)
        for k, estimate in enumerate(ours):
            assert estimate.estimate is not None
            assert estimate.lower is not None
            assert estimate.upper is not None
            held[k] += estimate.lower <= truth[k] <= estimate.upper
            estimates[sample, k] = estimate.estimate
    errors = estimates.std(axis=0, ddof=1) / math.sqrt(samples)
    np.testing.assert_array_less(np.abs(estimates.mean(axis=0) - truth), 3 * errors)
    assert held / samples == pytest.approx([0.95] * 3, abs=3 * math.sqrt(0.95 * 0.05 / samples) + 0.005)
