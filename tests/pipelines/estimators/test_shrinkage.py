"""Shrinkage against Efron & Morris 1975, R, a known truth, and by hand."""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.estimators import CountsError
from pipelines.estimators.shrinkage import (
    cases_needed_for_reliability,
    reliability,
    shrunken_means,
    shrunken_ratios,
    shrunken_shares,
)

# Published: Efron & Morris 1975, JASA 70:311-319, table 1: hits in the first 45 at bats of 18 batters, and their share
# in the rest of the season. Taken from the data set EfronMorris of the R package pscl; names are left out.
HITS = [18, 17, 16, 15, 14, 14, 13, 12, 11, 11, 10, 10, 10, 10, 10, 9, 8, 7]
REST = [0.346, 0.298, 0.276, 0.222, 0.273, 0.270, 0.263, 0.210, 0.269, 0.230, 0.264, 0.256, 0.303, 0.264, 0.226, 0.285]
REST += [0.316, 0.200]
AT_BATS = 45


def test_efron_and_morris_1975() -> None:
    """Published, recalled: scores sqrt(45) arcsin(2 y - 1) are drawn in with a factor of 0.209; the squared errors
    against the rest of the season add up to 17.56 for the scores and 5.01 for the drawn-in ones (3.50 times less).

    The season's shares carry three digits here, hence the width.
    """
    score = math.sqrt(AT_BATS) * np.arcsin(2 * np.array(HITS) / AT_BATS - 1)
    truth = math.sqrt(AT_BATS) * np.arcsin(2 * np.array(REST) - 1)
    found = shrunken_means(score, np.ones(18))
    drawn = np.array([estimate.shrunken for estimate in found.estimates])
    assert (drawn - score.mean()) / (score - score.mean()) == pytest.approx(0.209, abs=5e-4)
    assert ((score - truth) ** 2).sum() == pytest.approx(17.56, abs=0.05)
    assert ((drawn - truth) ** 2).sum() == pytest.approx(5.01, abs=0.05)


def test_efron_and_morris_1977() -> None:
    """Published: Efron & Morris 1977, Sci Am 236(5):119-127: on shares themselves the factor is 0.212."""
    share = np.round(np.array(HITS) / AT_BATS, 3)
    mean = share.mean()
    found = shrunken_means(share, np.full(18, math.sqrt(mean * (1 - mean) / AT_BATS)))
    factor = (found.estimates[0].shrunken - mean) / (share[0] - mean)
    assert found.mean == pytest.approx(0.265, abs=5e-4)
    assert factor == pytest.approx(0.212, abs=5e-4)


def test_gamma_poisson_of_r(reference_results: Callable[[str], Any]) -> None:
    """Other software: R optim on dnbinom, and qgamma; see tests/reference/comparison.R."""
    expected = reference_results("comparison")["gamma_poisson"]
    found = shrunken_ratios(expected["observed"], expected["expected"])
    assert found.mean == pytest.approx(expected["mean"], rel=1e-4)
    assert found.between == pytest.approx(expected["mean"] / expected["prior"], rel=2e-4)
    for name in ("shrunken", "lower", "upper"):
        assert [getattr(row, name) for row in found.estimates] == pytest.approx(expected[name], rel=1e-4)


def test_shares_agree_with_ratios_where_events_are_rare() -> None:
    """Two laws that must meet: a share that is rare is as good as Poisson."""
    events, cases = [2, 9, 4, 12, 1, 6, 15, 3], [2000] * 8
    shares = shrunken_shares(events, cases)
    ratios = shrunken_ratios(events, [2000 * shares.mean] * 8)
    for share, ratio in zip(shares.estimates, ratios.estimates, strict=True):
        assert share.shrunken / shares.mean == pytest.approx(ratio.shrunken, rel=5e-3)
        assert share.reliability == pytest.approx(ratio.reliability, abs=5e-3)


def test_no_spread_beyond_chance() -> None:
    """By hand: all alike, so everybody gets the mean and no surgeon can be told from another."""
    means = shrunken_means([1.0] * 6, [0.5] * 6)
    assert (means.mean, means.between) == (1.0, 0.0)
    assert all(
        row.shrunken == 1.0 and row.reliability == 0.0 and row.lower < 1.0 < row.upper for row in means.estimates
    )
    ratios, shares = shrunken_ratios([10] * 6, [10.0] * 6), shrunken_shares([9] * 6, [10] * 6)
    for found, mean in ((ratios, 1.0), (shares, 0.9)):
        assert found.between == 0.0
        assert all(row.shrunken == pytest.approx(mean) and row.reliability == 0.0 for row in found.estimates)
        assert all(row.lower < mean < row.upper for row in found.estimates)
    assert cases_needed_for_reliability(ratios.between, 9.0) is None


@given(st.lists(st.tuples(st.integers(0, 40), st.floats(0.5, 40.0)), min_size=4, max_size=25))
def test_ratios_are_drawn_in_and_never_past_the_mean(rows: list[tuple[int, float]]) -> None:
    observed, expected = [row[0] for row in rows], [row[1] for row in rows]
    if not sum(observed):
        observed[0] = 1
    found = shrunken_ratios(observed, expected)
    for row in found.estimates:
        low, high = sorted((row.raw, found.mean))
        assert low - 1e-6 <= row.shrunken <= high + 1e-6
        assert row.lower <= row.shrunken + 1e-9
        assert row.shrunken <= row.upper + 1e-9
        assert 0.0 <= row.reliability <= 1.0


@given(st.lists(st.tuples(st.floats(-5, 5), st.floats(0.05, 3)), min_size=4, max_size=25))
def test_fewer_cases_are_drawn_in_more(rows: list[tuple[float, float]]) -> None:
    found = shrunken_means([row[0] for row in rows], [row[1] for row in rows])
    by_error = sorted(zip((row[1] for row in rows), (row.reliability for row in found.estimates), strict=True))
    weights = [weight for _, weight in by_error]
    assert all(later <= earlier + 1e-12 for earlier, later in pairwise(weights))
    for row in found.estimates:
        low, high = sorted((row.raw, found.mean))
        assert low - 1e-9 <= row.shrunken <= high + 1e-9


def test_reliability_and_cases_by_hand() -> None:
    """By hand: 0.7 / 0.3 x 0.09 / 0.002 = 105; with so many cases the reliability is 0.7, with one fewer below."""
    assert cases_needed_for_reliability(0.002, 0.09, 0.7) == 105
    assert reliability(0.002, 0.09 / 105) == pytest.approx(0.7)
    assert reliability(0.002, 0.09 / 104) < 0.7
    assert reliability(0.0, 1.0) == 0.0
    # a beta-binomial of correlation rho: cases / (cases + (1 - rho) / rho)
    rho = 0.05
    assert reliability(0.3 * 0.7 * rho, 0.3 * 0.7 * (1 - rho) / 40) == pytest.approx(40 / (40 + (1 - rho) / rho))


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: shrunken_means([1.0], [1.0]), "at least 4 surgeons"),
        (lambda: shrunken_means([1.0] * 4, [1.0, 1.0, 1.0, 0.0]), "above 0"),
        (lambda: shrunken_means([1.0] * 4, [1.0] * 5), "same length"),
        (lambda: shrunken_means([1.0, 1.0, 1.0, math.nan], [1.0] * 4), "above 0"),
        (lambda: shrunken_ratios([1, 2, 3], [1.0] * 3), "at least 4 surgeons"),
        (lambda: shrunken_ratios([1, 2, 3, 4], [1.0, 1.0, 1.0, 0.0]), "above 0"),
        (lambda: shrunken_ratios([0] * 4, [1.0] * 4), "no event"),
        (lambda: shrunken_shares([5] * 4, [5] * 4), "cannot be told apart"),
        (lambda: shrunken_shares([5], [5]), "at least 4 surgeons"),
        (lambda: shrunken_shares([1, 1, 1, 0], [5, 5, 5, 0]), "at least 1"),
        (lambda: reliability(0.0, 0.0), "not both 0"),
        (lambda: cases_needed_for_reliability(0.1, 0.0), "above 0"),
        (lambda: cases_needed_for_reliability(0.1, 0.1, 1.0), "target"),
    ],
)
def test_bad_input_is_named(call: Callable[[], object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        call()


def test_errors_of_counts_are_counts_errors() -> None:
    with pytest.raises(CountsError):
        shrunken_means([1.0], [1.0])


@pytest.mark.slow
@pytest.mark.parametrize("surgeons", [8, 25])
def test_limits_hold_the_true_values(surgeons: int) -> None:
    """Simulation, seeded: true means normal with variance 1, errors from 0.5 to 1.5; 95 % limits of Morris 1983 hold at
    least about as often, over all surgeons, and errors are smaller than those of the raw results."""
    random = np.random.default_rng(7)
    error = np.linspace(0.5, 1.5, surgeons)
    held, raw_loss, loss = 0, 0.0, 0.0
    for _ in range(600):
        truth = random.normal(size=surgeons)
        found = shrunken_means(truth + random.normal(size=surgeons) * error, error)
        for row, true in zip(found.estimates, truth, strict=True):
            held += row.lower <= true <= row.upper
            raw_loss += (row.raw - true) ** 2
            loss += (row.shrunken - true) ** 2
    assert 0.935 <= held / (600 * surgeons) <= 0.99
    assert loss < 0.75 * raw_loss


@pytest.mark.slow
def test_gamma_poisson_finds_the_true_spread() -> None:
    """Simulation, seeded: true ratios gamma with mean 1 and 5 prior events (variance 0.2), 60 surgeons."""
    random = np.random.default_rng(3)
    expected = np.linspace(2, 30, 60)
    found = [shrunken_ratios(random.poisson(random.gamma(5.0, 0.2, 60) * expected), expected) for _ in range(60)]
    assert np.mean([one.mean for one in found]) == pytest.approx(1.0, abs=0.02)
    assert np.mean([one.between for one in found]) == pytest.approx(0.2, abs=0.02)
