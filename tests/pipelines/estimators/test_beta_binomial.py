"""The beta-binomial fit: published litters, other software, corners, coverage."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipelines.estimators import CountsError, beta_binomial, clopper_pearson

LITTERS = Path(__file__).parents[2] / "reference" / "data" / "litters.csv"


def litters(group: str) -> tuple[list[int], list[int]]:
    data = pl.read_csv(LITTERS).filter(pl.col("group") == group)
    return data["growing"].to_list(), data["placed"].to_list()


@pytest.mark.parametrize(("group", "mean", "theta"), [("control", 0.898, 0.021), ("treated", 0.740, 0.465)])
def test_williams_1975_litters(group: str, mean: float, theta: float) -> None:
    """Recalled, data too: Williams 1975, Biometrics 31:949-952, litters of Weil 1970; theta is rho / (1 - rho)."""
    fit = beta_binomial(*litters(group))
    rho = fit.correlation.estimate
    assert rho is not None
    assert fit.mean.estimate == pytest.approx(mean, abs=0.0005)
    assert rho / (1 - rho) == pytest.approx(theta, abs=0.0005)


@pytest.mark.parametrize("group", ["control", "treated"])
def test_r_optim(group: str, reference_results: Callable[[str], Any]) -> None:
    """Other software: base R from the densities, with profile limits; see tests/reference/beta_binomial.R."""
    expected = reference_results("beta_binomial")[group]
    fit = beta_binomial(*litters(group), below=[0.8, 0.9])
    assert fit.log_likelihood == pytest.approx(expected["log_likelihood"], abs=1e-8)
    for name in ("mean", "correlation"):
        found = getattr(fit, name)
        assert found.estimate == pytest.approx(expected[name], rel=1e-4)
        assert found.lower == pytest.approx(expected[f"{name}_lower"], abs=1e-5)
        assert found.upper == pytest.approx(expected[f"{name}_upper"], abs=1e-5)
    for found, name in zip(fit.below, ("below_80", "below_90"), strict=True):
        assert found.estimate == pytest.approx(expected[name], abs=2e-5)


def test_no_more_spread_than_chance_gives_the_binomial() -> None:
    """By hand: equal shares everywhere, so the likeliest correlation is 0 and everybody's yield is the mean."""
    fit = beta_binomial([9] * 8, [10] * 8, below=[0.8, 0.95])
    assert (fit.correlation.estimate, fit.correlation.lower) == (0.0, 0.0)
    assert fit.mean.estimate == pytest.approx(0.9)
    assert [share.estimate for share in fit.below] == [0.0, 1.0]
    assert fit.below[0].upper is not None
    assert fit.below[0].upper > 0.1


@pytest.mark.parametrize("grew", [True, False])
def test_all_or_none_grew(grew: bool) -> None:
    """By hand: each patient is one trial, as for the ratio; nothing is said of the correlation."""
    fit = beta_binomial([40 * grew] * 6, [40] * 6, below=[0.8])
    exact = clopper_pearson(6 * grew, 6)
    assert (fit.mean.estimate, fit.mean.lower, fit.mean.upper) == (float(grew), exact.lower, exact.upper)
    assert fit.correlation.estimate is None
    assert fit.below[0].estimate is None


def test_raw_shares_below_a_yield_are_inflated_by_counting_noise() -> None:
    """Known truth: nobody's true yield is below 0.8, yet one in seven counts of 20 is; the model says so."""
    rng = np.random.default_rng(20261128)
    growing = rng.binomial(20, 0.88, 2000)
    fit = beta_binomial(growing, np.full(2000, 20), below=[0.8])
    assert (growing / 20 < 0.8).mean() > 0.05
    assert fit.below[0].estimate is not None
    assert fit.below[0].estimate < 0.01


def test_limits_enclose_their_estimate_whatever_was_counted() -> None:
    """Invariant, over small and extreme counts: two patients, one graft each, all or none in each patient."""
    rng = np.random.default_rng(20261201)
    drawn = [rng.integers(1, most, rng.integers(2, 9)) for most in (2, 5, 60, 400) for _ in range(10)]
    cases = [(rng.binomial(placed, rng.beta(0.5, 0.5, len(placed))), placed) for placed in drawn]
    cases.append((np.array([40, 0, 40, 0]), np.full(4, 40)))
    for growing, placed in cases:
        fit = beta_binomial(growing, placed, below=[0.5, 0.9])
        for found in (fit.mean, fit.correlation, *fit.below):
            if found.estimate is not None:
                assert found.lower is not None
                assert found.upper is not None
                assert -1e-12 <= found.lower <= found.estimate + 1e-12
                assert found.estimate - 1e-12 <= found.upper <= 1 + 1e-12


@pytest.mark.parametrize(
    ("growing", "placed", "words"),
    [
        ([5], [10], "two clusters"),
        ([5, 11], [10, 10], "between 0 and placed"),
        ([5, -1], [10, 10], "between 0 and placed"),
        ([0, 0], [10, 0], "at least 1"),
        ([5, 5], [10], "differ in length"),
    ],
)
def test_impossible_counts(growing: list[int], placed: list[int], words: str) -> None:
    with pytest.raises(CountsError, match=words):
        beta_binomial(growing, placed)


@pytest.mark.slow
@pytest.mark.parametrize("patients", [20, 80])
def test_limits_hold_a_known_truth(patients: int) -> None:
    """Beta(18, 2) yields: mean 0.9, correlation 1 / 21, 8.2 % of patients below 0.8 (the beta law's own)."""
    from scipy.stats import beta

    rng, samples = np.random.default_rng(20261129 + patients), 250
    truth = (0.9, 1 / 21, float(beta.cdf(0.8, 18, 2)))
    held = np.zeros(3)
    for _ in range(samples):
        placed = rng.integers(20, 80, patients)
        fit = beta_binomial(rng.binomial(placed, rng.beta(18, 2, patients)), placed, below=[0.8])
        for k, (found, true) in enumerate(zip((fit.mean, fit.correlation, fit.below[0]), truth, strict=True)):
            assert found.lower is not None
            assert found.upper is not None
            held[k] += found.lower <= true <= found.upper
    # 0.95 known to three Monte Carlo errors, and one more hundredth for few patients
    assert held / samples == pytest.approx([0.95] * 3, abs=0.041 + 0.01)
