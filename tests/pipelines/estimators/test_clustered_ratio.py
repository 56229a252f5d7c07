"""The ratio of sums with between-patient variance."""

from collections.abc import Callable, Sequence
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipelines.estimators import CountsError, RatioSums, clopper_pearson, clustered_ratio

CITIES = Path(__file__).parents[2] / "reference" / "data" / "cities.csv"


def sums_of(y: Sequence[Any], x: Sequence[Any]) -> RatioSums:
    """The sums of one pair (y, x) a cluster, in Python's own arithmetic."""
    pairs = list(zip(y, x, strict=True))
    return RatioSums(
        n_clusters=len(pairs),
        sum_y=sum(b for b, _ in pairs),
        sum_x=sum(a for _, a in pairs),
        sum_yy=sum(b * b for b, _ in pairs),
        sum_xy=sum(a * b for b, a in pairs),
        sum_xx=sum(a * a for _, a in pairs),
    )


@pytest.fixture(scope="module")
def cities() -> tuple[list[int], list[int]]:
    """Population in thousands in 1920 and in 1930."""
    data = pl.read_csv(CITIES)
    return data["in_1920"].to_list(), data["in_1930"].to_list()


def test_cochran_1977_cities(cities: tuple[list[int], list[int]]) -> None:
    """Recalled: Cochran 1977, chapter 6: total of 196 cities from 49, estimate 28,397 with standard error 604.

    Cochran's total is 22,919 times the ratio, and his standard error has the finite population correction 1 - 49/196.
    """
    in_1920, in_1930 = cities
    result = clustered_ratio(sums_of(in_1930, in_1920))
    assert result.std_error is not None
    assert 22_919 * result.estimate == pytest.approx(28_397, abs=0.5)
    total_std_error = result.std_error * sum(in_1920) * (196 / 49) * np.sqrt(1 - 49 / 196)
    assert total_std_error == pytest.approx(604, abs=0.5)


def test_davison_hinkley_1997_first_ten_cities(cities: tuple[list[int], list[int]]) -> None:
    """Recalled: Davison & Hinkley 1997, Bootstrap Methods, chapter 2: ratio 1.520, delta-method variance 0.0325.

    Their variance divides by m squared where ours divides by m (m - 1).
    """
    result = clustered_ratio(sums_of(cities[1][:10], cities[0][:10]))
    assert result.std_error is not None
    assert result.estimate == pytest.approx(1.520, abs=0.0005)
    assert result.std_error**2 * 9 / 10 == pytest.approx(0.0325, abs=0.00005)


@pytest.mark.parametrize("name", ["above_one", "below_one", "below_one_first_ten_90"])
def test_r_from_the_residuals(
    name: str, cities: tuple[list[int], list[int]], reference_results: Callable[[str], Any]
) -> None:
    """Other software: base R from the residuals themselves, see tests/reference/clustered_ratio.R."""
    in_1920, in_1930 = cities
    y, x, level, limits_by = {
        "above_one": (in_1930, in_1920, 0.95, "plain_t"),
        "below_one": (in_1920, in_1930, 0.95, "logit_t"),
        "below_one_first_ten_90": (in_1920[:10], in_1930[:10], 0.9, "logit_t"),
    }[name]
    result = clustered_ratio(sums_of(y, x), level)
    assert result.limits_by == limits_by
    for key, (expected,) in reference_results("clustered_ratio")[name].items():
        assert getattr(result, key) == pytest.approx(expected, rel=1e-10)


def test_other_software_statsmodels_cluster_robust() -> None:
    """Other software: statsmodels binomial GLM with cluster-robust errors: the logit's standard error is the same."""
    import statsmodels.api as sm

    rng = np.random.default_rng(20261)
    placed = rng.integers(10, 60, 25)
    growing = rng.binomial(placed, rng.beta(9, 1, 25))
    model = sm.GLM(np.column_stack([growing, placed - growing]), np.ones((25, 1)), family=sm.families.Binomial())
    fit = model.fit(cov_type="cluster", cov_kwds={"groups": np.arange(25)})
    result = clustered_ratio(sums_of(growing.tolist(), placed.tolist()))
    assert result.std_error is not None
    ratio = result.estimate
    assert np.log(ratio / (1 - ratio)) == pytest.approx(fit.params[0], rel=1e-8)
    assert result.std_error / (ratio * (1 - ratio)) == pytest.approx(fit.bse[0], rel=1e-6)


def test_splitting_a_patient_would_change_the_answer() -> None:
    """By hand: two patients of 10 and 0 out of 10, as two clusters or as four halves: the variance halves and more."""
    whole = clustered_ratio(sums_of([10, 0], [10, 10]))
    halves = clustered_ratio(sums_of([5, 5, 0, 0], [5, 5, 5, 5]))
    assert whole.std_error == pytest.approx(0.5)
    assert halves.std_error == pytest.approx((4 / 3 * 4 * 2.5**2 / 20**2) ** 0.5)


@pytest.mark.parametrize("share", [0, 1])
def test_no_spread_at_the_ends(share: int) -> None:
    """By hand: every patient at 0 or at 100 %: one trial a patient, so Clopper-Pearson for 0 or 8 of 8."""
    placed = [30, 25, 40, 10, 22, 31, 8, 50]
    result = clustered_ratio(sums_of([share * number for number in placed], placed))
    expected = clopper_pearson(8 * share, 8)
    assert (result.estimate, result.std_error) == (share, None)
    assert (result.lower, result.upper) == (expected.lower, expected.upper)
    assert result.limits_by == "one_trial_a_cluster"


def test_no_spread_in_between() -> None:
    """By hand: 4 patients at exactly 3 in 4 are taken as 3 of 4 patients."""
    result = clustered_ratio(sums_of([3, 6, 9, 30], [4, 8, 12, 40]))
    expected = clopper_pearson(3, 4)
    assert (result.lower, result.upper) == pytest.approx((expected.lower, expected.upper))


def test_no_spread_above_one_has_no_limits() -> None:
    result = clustered_ratio(sums_of([11, 22], [10, 20]))
    assert (result.estimate, result.lower, result.upper, result.limits_by) == (1.1, None, None, None)


def test_one_cluster_has_no_limits_however_many_grafts() -> None:
    result = clustered_ratio(sums_of([900], [1000]))
    assert result.estimate == 0.9
    assert (result.lower, result.upper, result.std_error, result.limits_by) == (None,) * 4


def test_exactly_one_with_spread_uses_the_plain_scale() -> None:
    """By hand: residuals -1 and 1, X = 20: standard error sqrt(2 * 2) / 20 = 0.1; t on 1 degree is 12.7062."""
    result = clustered_ratio(sums_of([9, 11], [10, 10]))
    assert (result.limits_by, result.std_error) == ("plain_t", pytest.approx(0.1))
    assert (result.lower, result.upper) == (0.0, pytest.approx(2.27062, abs=1e-5))


def test_nothing_cancels() -> None:
    """By hand: one graft missing in one of 1,000 patients of 10**9 grafts each: residuals are 1e-9 of the sums.

    With R = 1 - 1/N, N = 10**12, the residuals are 10**9 / N = 0.001 for all but one, and 0.001 - 1 for that one.
    """
    placed = [10**9] * 1000
    growing = [10**9 - 1] + [10**9] * 999
    result = clustered_ratio(sums_of(growing, placed))
    expected = (1000 / 999 * (999 * 0.001**2 + 0.999**2)) ** 0.5 / 10**12
    assert result.std_error == pytest.approx(expected, rel=1e-12)


def test_types_of_the_sums_do_not_matter() -> None:
    """Sums come out of a database as wide integers, decimals or floats."""
    plain = sums_of([18, 20, 9], [20, 20, 10])
    values = (plain.sum_y, plain.sum_x, plain.sum_yy, plain.sum_xy, plain.sum_xx)
    expected = clustered_ratio(plain)
    assert clustered_ratio(RatioSums(3, *map(float, values))) == expected
    assert clustered_ratio(RatioSums(3, *map(np.int64, values))) == expected
    assert clustered_ratio(RatioSums(3, *map(Decimal, values))) == expected  # type: ignore[arg-type]


def test_rounding_of_fractions_is_not_spread() -> None:
    """Averages over repeated readings are fractions; equal ratios must still count as no spread."""
    placed = [0.1 * number for number in (1, 3, 7, 11, 13)]
    growing = [0.9 * number for number in placed]
    assert clustered_ratio(sums_of(growing, placed)).limits_by == "one_trial_a_cluster"


@pytest.mark.parametrize(
    "sums",
    [
        RatioSums(0, 0, 0, 0, 0, 0),
        RatioSums(3, 0, 0, 0, 0, 0),
        RatioSums(3, -1, 30, 1, 10, 300),
        RatioSums(3, 27, 30, 245, float("nan"), 300),
        RatioSums(3, 27, 30, 245, 280, 300),  # the product is larger than the squares allow
        RatioSums(3, 27, 30, 200, 240, 300),  # three numbers adding up to 27 have squares of at least 243
        RatioSums(3, 27, 30, 245, 200, 250),  # three numbers adding up to 30 have squares of at least 300
        RatioSums(3, 3, 30, 100, 400, 1000),  # a product too large, though the residual sum is positive
    ],
)
def test_impossible_sums_are_refused(sums: RatioSums) -> None:
    with pytest.raises(CountsError):
        clustered_ratio(sums)


def test_level_is_a_share() -> None:
    with pytest.raises(ValueError, match=r"0\.95"):
        clustered_ratio(sums_of([9, 8], [10, 10]), 95)
