"""The regression of shares, beside other software, and the bend."""

import numpy as np
import pytest

from pipelines.graft_model.bend import fit_bend
from pipelines.graft_model.quasi_binomial import fit_quasi_binomial
from pipelines.regression.errors import ModelError
from pipelines.regression.spells import Floats, Ints

Counts = tuple[Floats, Floats, Floats, Floats, Ints]


def counts(rng: np.random.Generator, patients: int, slope: float, bend: float = 45.0) -> Counts:
    """Density, other columns, growing, placed and patient: log odds 2.55, falling by slope a graft above the bend.

    Patients differ (SD 0.25), and grafts of an area are alike (correlation 0.015).
    """
    areas = rng.integers(1, 3, patients)
    cluster = np.repeat(np.arange(patients), areas)
    density = np.clip(rng.normal(40, 10, len(cluster)), 15, 70)
    placed = np.rint(density * rng.choice([1, 1.5, 2, 4], len(cluster)))
    log_odds = 2.55 + slope * np.clip(density - bend, 0, None) + np.repeat(rng.normal(0, 0.25, patients), areas)
    mean, spread = 1 / (1 + np.exp(-log_odds)), 1 / 0.015 - 1
    growing = rng.binomial(placed.astype(int), rng.beta(mean * spread, (1 - mean) * spread))
    others = np.column_stack([np.ones(len(cluster)), rng.normal(size=len(cluster))])
    return density, others, growing.astype(float), placed, cluster


def test_other_software_statsmodels_glm_and_gee() -> None:
    """Other software: statsmodels binomial GLM with errors by cluster, and GEE with independence.

    GLM multiplies the covariance by (n - 1) / (n - k) more than ours; GEE by neither that nor m / (m - 1).
    """
    import statsmodels.api as sm

    density, others, growing, placed, cluster = counts(np.random.default_rng(20261128), 120, -0.05)
    x = np.column_stack([others, density])
    fit = fit_quasi_binomial(x, growing, placed, cluster)
    both = np.column_stack([growing, placed - growing])
    glm = sm.GLM(both, x, family=sm.families.Binomial()).fit(cov_type="cluster", cov_kwds={"groups": cluster})
    n, k, m = len(x), x.shape[1], 120
    error = np.sqrt(np.diag(fit.covariance))
    assert fit.coefficients == pytest.approx(glm.params, rel=1e-8)
    assert error == pytest.approx(glm.bse * np.sqrt((n - k) / (n - 1)), rel=1e-7)
    assert fit.dispersion == pytest.approx(glm.pearson_chi2 / (n - k), rel=1e-8)
    gee = sm.GEE(
        growing / placed, x, groups=cluster, family=sm.families.Binomial(), weights=placed, cov_struct=None
    ).fit()
    assert fit.coefficients == pytest.approx(gee.params, rel=1e-6)
    assert error == pytest.approx(gee.bse * np.sqrt(m / (m - 1)), rel=1e-5)


def test_two_groups_by_hand() -> None:
    """By hand: 30 of 40 and 10 of 40: odds 3 and 1/3, so a log odds ratio of -log 9."""
    x = np.array([[1.0, 0], [1, 0], [1, 1], [1, 1]])
    fit = fit_quasi_binomial(x, np.array([10.0, 20, 6, 4]), np.full(4, 20.0), np.arange(4))
    assert fit.coefficients == pytest.approx([np.log(3), -np.log(9)])


def test_counts_above_what_was_placed_may_enter() -> None:
    fit = fit_quasi_binomial(np.ones((2, 1)), np.array([22.0, 14]), np.full(2, 20.0), np.arange(2))
    assert fit.share == pytest.approx([0.9, 0.9])


@pytest.mark.parametrize(
    ("growing", "second", "words"),
    [
        ([20, 20, 10, 12], [0, 0, 1, 1], "without bound"),
        ([18, 15, 10, 12], [1, 1, 1, 1], "tell the same"),
    ],
)
def test_rows_that_carry_no_model(growing: list[int], second: list[int], words: str) -> None:
    x = np.column_stack([np.ones(4), second])
    with pytest.raises(ModelError, match=words):
        fit_quasi_binomial(x, np.array(growing, dtype=float), np.full(4, 20.0), np.arange(4))


def test_one_patient_carries_no_model() -> None:
    with pytest.raises(ModelError, match="two patients"):
        fit_quasi_binomial(np.ones((2, 1)), np.array([5.0, 6]), np.full(2, 20.0), np.zeros(2, dtype=int))


def test_a_planted_bend_is_found_and_none_where_there_is_none() -> None:
    """Known truth: a bend at 45 grafts per cm2, after which log odds fall by 0.05 a graft; or no fall at all."""
    bend = fit_bend(*counts(np.random.default_rng(20261128), 500, -0.05))
    assert bend.found
    assert bend.lower <= 45 <= bend.upper
    assert bend.above[1] < -0.05 < bend.above[2]
    flat = fit_bend(*counts(np.random.default_rng(20261129), 500, 0.0))
    assert not flat.found
    assert flat.p > 0.05


def test_a_rise_after_the_bend_is_no_fall() -> None:
    bend = fit_bend(*counts(np.random.default_rng(20261128), 400, 0.08))
    assert bend.p < 0.05
    assert not bend.found


def test_too_few_densities_for_a_bend() -> None:
    density, others, growing, placed, cluster = counts(np.random.default_rng(1), 60, 0.0)
    with pytest.raises(ModelError, match="too few different"):
        fit_bend(np.where(density > 40, 40.0, 30.0), others, growing, placed, cluster)


@pytest.mark.slow
def test_limits_of_the_bend_and_its_test_over_many_samples() -> None:
    """Known truth 45: limits hold it in 95 % of samples; without a bend p is below 0.05 in 5 %; 3 errors allowed."""
    rng, samples = np.random.default_rng(20261130), 60
    held = wrong = 0
    for _ in range(samples):
        bend = fit_bend(*counts(rng, 400, -0.05))
        held += bend.lower <= 45 <= bend.upper
        wrong += fit_bend(*counts(rng, 400, 0.0)).p < 0.05
    allowed = 3 * (0.95 * 0.05 / samples) ** 0.5
    assert held / samples >= 0.95 - allowed
    assert wrong / samples <= 0.05 + allowed
