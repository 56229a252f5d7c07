"""Shares made to rise."""

import numpy as np
import polars as pl
import pytest

from pipelines.estimators import CountsError
from pipelines.estimators.isotonic_growth import isotonic_growth


def counts(*rows: tuple[int, int, int, int]) -> pl.DataFrame:
    return pl.DataFrame(rows, schema=["patient", "step", "growing", "placed"], orient="row")


def test_barlow_style_joining_by_hand() -> None:
    """By hand: 0.5, 0.2, 0.3 with weights 10, 10, 20 join to (5 + 2 + 6) / 40, since 0.35 still lies above 0.3."""
    steps = isotonic_growth(counts((1, 2, 5, 10), (2, 3, 2, 10), (3, 4, 6, 20), (4, 5, 8, 10)), 12)
    assert [step.monotone.estimate for step in steps] == pytest.approx([13 / 40] * 3 + [0.8])
    assert [step.pooled for step in steps] == [(2, 4)] * 3 + [(5, 5)]


def test_a_patient_of_joined_steps_is_one_cluster() -> None:
    steps = isotonic_growth(counts((1, 2, 9, 10), (1, 3, 5, 10)), 12)
    assert [(step.monotone.n_clusters, step.monotone.lower) for step in steps] == [(1, None)] * 2


def test_no_counts_no_steps() -> None:
    assert isotonic_growth(counts().cast(pl.Int64), 12) == []


def test_nothing_placed_is_refused() -> None:
    with pytest.raises(CountsError, match="above 0"):
        isotonic_growth(counts((1, 2, 0, 0)), 12)


@pytest.mark.slow
def test_limits_hold_a_rising_truth() -> None:
    """Known truth near 0.2, 0.6, 0.85, 0.88, 0.92; patients who differ (logit SD 0.6); 60 patients, 2 steps each."""
    rng, samples, truth = np.random.default_rng(20261128), 600, np.array([0.2, 0.6, 0.85, 0.88, 0.92])
    held = np.zeros(5)
    for _ in range(samples):
        patient = np.repeat(np.arange(60), 2)
        step = np.concatenate([np.sort(rng.choice(5, 2, replace=False)) for _ in range(60)])
        rank = np.repeat(rng.normal(0, 1, 60), 2)
        yields = 1 / (1 + np.exp(-(np.log(truth / (1 - truth))[step] + 0.6 * rank)))
        # the truth of a step is the mean over patients, not the curve of the middle one
        placed = np.full(120, 50)
        rows = {"patient": patient, "step": step, "growing": rng.binomial(placed, yields), "placed": placed}
        for found in isotonic_growth(pl.DataFrame(rows), 12):
            assert found.monotone.lower is not None
            assert found.monotone.upper is not None
            held[found.step] += found.monotone.lower <= _MEANS[found.step] <= found.monotone.upper
    assert held / samples == pytest.approx([0.95] * 5, abs=3 * (0.95 * 0.05 / samples) ** 0.5)


_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(60)
_MEANS = [
    float((_WEIGHTS / (1 + np.exp(-(np.log(p / (1 - p)) + 0.6 * _NODES)))).sum() / _WEIGHTS.sum())
    for p in (0.2, 0.6, 0.85, 0.88, 0.92)
]
