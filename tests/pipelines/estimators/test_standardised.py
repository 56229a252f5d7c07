"""Standardised ratios and rates against published tables, R, brute force, and the level they state."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from statistics import NormalDist
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.estimators import CountsError, clopper_pearson
from pipelines.estimators.poisson_binomial import poisson_binomial
from pipelines.estimators.standardised import (
    directly_standardised_rate,
    indirectly_standardised_rate,
    poisson_limits,
    standardised_ratio,
    standardised_ratio_of_risks,
)

# Breslow & Day 1987, Statistical Methods in Cancer Research vol. II, table 2.10 (after Haenszel, Loveland & Sirken
# 1962): factors that make 95 % limits of a ratio from an observed count. Recalled.
BRESLOW_DAY_FACTORS = [
    (1, 0.0253, 5.57),
    (2, 0.121, 3.61),
    (3, 0.206, 2.92),
    (4, 0.272, 2.56),
    (5, 0.324, 2.33),
    (10, 0.480, 1.84),
    (20, 0.611, 1.54),
    (50, 0.742, 1.32),
    (100, 0.814, 1.22),
]


def byar(observed: int, level: float) -> tuple[float, float]:
    """Byar's approximation, as Breslow & Day 1987 (formula 2.13) print it; a check only."""
    z = NormalDist().inv_cdf(0.5 + level / 2)
    more = observed + 1
    return (
        observed * (1 - 1 / (9 * observed) - z / (3 * math.sqrt(observed))) ** 3,
        more * (1 - 1 / (9 * more) + z / (3 * math.sqrt(more))) ** 3,
    )


@pytest.mark.parametrize(("observed", "low", "high"), BRESLOW_DAY_FACTORS)
def test_factors_of_breslow_and_day(observed: int, low: float, high: float) -> None:
    """Recalled, see above; within one of the last digit printed (0.3247 of 5 stands there as 0.324)."""
    lower, upper = poisson_limits(observed)
    assert lower / observed == pytest.approx(low, abs=1e-4 if observed == 1 else 1e-3)
    assert upper / observed == pytest.approx(high, abs=5.1e-3)


def test_thirty_seen_where_fifteen_were_expected() -> None:
    """Published: Biological Effects of Low Level Exposures to Chemicals and Radiation 1992, worked example of table
    7.5: 30 seen, 15.21 expected, 95 % limits 20.24 to 42.83 of the count, 1.33 to 2.82 of the ratio."""
    found = standardised_ratio(30, 15.21)
    assert found.lower * 15.21 == pytest.approx(20.24, abs=0.005)
    assert found.upper * 15.21 == pytest.approx(42.83, abs=0.005)
    assert (round(found.lower, 2), round(found.upper, 2)) == (1.33, 2.82)


@pytest.mark.parametrize(("level", "within"), [(0.95, 0.002), (0.998, 0.02)])
def test_byar_is_close(level: float, within: float) -> None:
    """By hand; from 10 events on within 0.2 % at 95 %, and 2 % at 99.8 %."""
    for observed in range(10, 200, 7):
        for exact, near in zip(poisson_limits(observed, level), byar(observed, level), strict=True):
            assert near == pytest.approx(exact, rel=within)


def test_ratios_of_r(reference_results: Callable[[str], Any]) -> None:
    """Other software: R poisson.test, and its ppois solved for mid-P; see tests/reference/comparison.R."""
    for row in reference_results("comparison")["ratios"]:
        for limits in row["limits"]:
            for mid_p, name in ((False, "exact"), (True, "mid_p")):
                found = standardised_ratio(row["observed"], row["expected"], limits["level"], mid_p=mid_p)
                assert [found.lower, found.upper] == pytest.approx(limits[name], rel=1e-7)


def test_rates_of_r(reference_results: Callable[[str], Any]) -> None:
    """Other software: R qgamma, as Fay & Feuer 1997 write their limits; see tests/reference/comparison.R."""
    reference = reference_results("comparison")
    for row in reference["rates"]:
        found = directly_standardised_rate(row["events"], row["births"], reference["standard"])
        assert [found.rate, found.lower, found.upper] == pytest.approx(
            [row["rate"], row["lower"], row["upper"]], rel=1e-9
        )


def test_one_stratum_is_the_exact_poisson_interval() -> None:
    """By hand: Fay & Feuer's limits of a single stratum are Garwood's."""
    found = directly_standardised_rate([7], [50], [1])
    assert [found.lower * 50, found.upper * 50] == pytest.approx(list(poisson_limits(7)))


def test_no_event_has_an_upper_limit_only() -> None:
    """By hand: exp(-u) = 0.025, in the stratum where an event would weigh most."""
    found = directly_standardised_rate([0, 0], [100, 10], [0.5, 0.5])
    assert (found.rate, found.lower) == (0.0, 0.0)
    assert found.upper == pytest.approx(-math.log(0.025) * 0.05)
    assert standardised_ratio(0, 2.0).upper == pytest.approx(-math.log(0.025) / 2)
    assert standardised_ratio(0, 2.0, mid_p=True).upper == pytest.approx(-math.log(0.05) / 2)


def test_indirect_rate_by_hand() -> None:
    ratio = standardised_ratio(8, 4.0)
    found = indirectly_standardised_rate(ratio, 0.03)
    assert found.rate == pytest.approx(0.06)
    assert (found.lower, found.upper) == (ratio.lower * 0.03, ratio.upper * 0.03)


@given(st.lists(st.floats(0.0, 1.0), min_size=1, max_size=9))
def test_poisson_binomial_is_the_sum_over_all_outcomes(risks: list[float]) -> None:
    """By brute force: every pattern of events with its chance."""
    chances = [0.0] * (len(risks) + 1)
    for pattern in itertools.product((0, 1), repeat=len(risks)):
        chance = math.prod(risk if y else 1 - risk for risk, y in zip(risks, pattern, strict=True))
        chances[sum(pattern)] += chance
    assert poisson_binomial(risks) == pytest.approx(chances, abs=1e-14)


@pytest.mark.parametrize(("observed", "n", "risk"), [(0, 12, 0.2), (3, 12, 0.2), (12, 12, 0.7), (40, 57, 0.55)])
def test_equal_risks_give_clopper_and_pearson(observed: int, n: int, risk: float) -> None:
    """By hand: with one risk for all, moving its odds is moving a binomial share."""
    found = standardised_ratio_of_risks(observed, [risk] * n, 0.95)
    exact = clopper_pearson(observed, n, 0.95)
    assert found.lower * risk == pytest.approx(exact.lower, abs=1e-9)
    assert found.upper * risk == pytest.approx(exact.upper, abs=1e-9)


def test_small_risks_give_poisson() -> None:
    risks = np.full(20_000, 0.0005)
    found, poisson = standardised_ratio_of_risks(14, risks), standardised_ratio(14, 10.0)
    assert [found.lower, found.upper] == pytest.approx([poisson.lower, poisson.upper], rel=1e-3)


@settings(max_examples=30)
@given(st.lists(st.floats(0.01, 0.99), min_size=1, max_size=20), st.data(), st.booleans())
def test_limits_hold_the_ratio_and_stay_possible(risks: list[float], data: st.DataObject, mid_p: bool) -> None:
    observed = data.draw(st.integers(0, len(risks)))
    found = standardised_ratio_of_risks(observed, risks, mid_p=mid_p)
    assert 0.0 <= found.lower <= found.ratio <= found.upper <= len(risks) / sum(risks) * (1 + 1e-12)
    wider = standardised_ratio_of_risks(observed, risks, 0.998, mid_p=mid_p)
    assert wider.lower <= found.lower
    assert found.upper <= wider.upper


@given(st.integers(0, 300), st.floats(0.01, 300.0))
def test_mid_p_lies_within_the_exact_limits(observed: int, expected: float) -> None:
    exact, mid = standardised_ratio(observed, expected), standardised_ratio(observed, expected, mid_p=True)
    assert exact.lower <= mid.lower <= mid.ratio <= mid.upper <= exact.upper


def test_certain_cases_do_not_count_as_chance() -> None:
    """By hand: three certain events and 4 of 10 at a half are 3 + what 4 of 10 at a half have."""
    free = standardised_ratio_of_risks(4, [0.5] * 10)
    found = standardised_ratio_of_risks(7, [0.5] * 10 + [1.0] * 3 + [0.0])
    assert found.lower * 8 == pytest.approx(3 + free.lower * 5)
    assert found.upper * 8 == pytest.approx(3 + free.upper * 5)
    with pytest.raises(CountsError, match="risk of 0"):
        standardised_ratio_of_risks(2, [0.5] * 10 + [1.0] * 3)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: standardised_ratio(3, 0.0), "nothing was expected"),
        (lambda: standardised_ratio(3, math.nan), "nothing was expected"),
        (lambda: standardised_ratio(-1, 2.0), "at least 0"),
        (lambda: standardised_ratio(1, 2.0, 95), "level"),
        (lambda: standardised_ratio_of_risks(0, []), "no case"),
        (lambda: standardised_ratio_of_risks(0, [0.0, 0.0]), "nothing was expected"),
        (lambda: standardised_ratio_of_risks(1, [0.2, math.nan]), "risk"),
        (lambda: standardised_ratio_of_risks(3, [0.2, 0.3]), "from 0 to the cases"),
        (lambda: directly_standardised_rate([1, 2], [10, 0], [1, 1]), "nobody at risk"),
        (lambda: directly_standardised_rate([1, 2], [10, 10], [0, 0]), "weights are 0"),
        (lambda: directly_standardised_rate([1, 2], [10, 10], [1]), "same length"),
        (lambda: directly_standardised_rate([-1, 2], [10, 10], [1, 1]), "at least 0"),
        (lambda: indirectly_standardised_rate(standardised_ratio(1, 1.0), 0.0), "reference rate"),
    ],
)
def test_bad_input_is_named(call: Callable[[], object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        call()


@pytest.mark.slow
def test_limits_of_risks_hold_as_often_as_they_say() -> None:
    """Simulation, seeded: 400 surgeons whose odds are twice the expected; limits by their very risks, 95 %.

    What must be held is the ratio of the sums at the doubled odds. Poisson limits would hold more often, as too wide.
    """
    random = np.random.default_rng(20)
    risks = random.beta(4, 6, size=45)
    doubled = 2 * risks / (1 + risks)
    truth = doubled.sum() / risks.sum()
    held = [
        (found := standardised_ratio_of_risks(int((random.random(45) < doubled).sum()), risks)).lower
        <= truth
        <= found.upper
        for _ in range(400)
    ]
    assert 0.94 <= np.mean(held) <= 0.99
