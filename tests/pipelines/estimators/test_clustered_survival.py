"""Kaplan-Meier of several spells a patient, against other software and by hand."""

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.estimators import (
    CountsError,
    clustered_survival,
    product_limit,
    quantile_with_limits,
    restricted_mean,
    risk_table,
    survival_at,
)
from pipelines.estimators.kaplan_meier import curve_limits

Rows = Callable[[str], pl.DataFrame]
Results = Callable[[str], Any]


def as_array(values: list[float | str | None]) -> np.ndarray[Any, np.dtype[np.float64]]:
    """R's numbers, with its missing values as not a number."""
    return np.array([np.nan if value in (None, "NaN", "NA") else float(value or 0) for value in values])


@pytest.mark.parametrize(("name", "data"), [("clustered", "gap_times"), ("late", "gap_times_late")])
def test_other_software_r_survfit(name: str, data: str, reference_rows: Rows, reference_results: Results) -> None:
    """Other software: R survfit with cluster, ties and delayed entry; see tests/reference/robust_survival.R."""
    expected = reference_results("robust_survival")[name]
    curve = clustered_survival(reference_rows(data))
    rows = np.searchsorted(curve.day, expected["day"])
    assert curve.day[rows].tolist() == expected["day"]
    np.testing.assert_allclose(curve.survival[rows], expected["survival"], rtol=1e-10, atol=1e-14)
    assert curve.at_risk[rows].tolist() == expected["at_risk"]
    inside = (curve.survival[rows] > 0) & (curve.survival[rows] < 1)
    std_error = curve.survival[rows] * np.sqrt(np.where(curve.survival[rows] > 0, curve.greenwood[rows], 0.0))
    np.testing.assert_allclose(std_error[inside], as_array(expected["std_error"])[inside], rtol=1e-8)
    for ours, theirs in zip(curve_limits(curve, 0.95), ("lower", "upper"), strict=True):
        np.testing.assert_allclose(ours[rows][inside], as_array(expected[theirs])[inside], rtol=1e-8)


def test_one_spell_a_patient_is_greenwood(reference_spells: Rows) -> None:
    """By hand: with one spell each the jackknife sum is Greenwood's, late entry or not left aside."""
    for name in ("lung", "mgus", "six_mp"):
        spells = reference_spells(name)
        plain = product_limit(risk_table(spells))
        curve = clustered_survival(spells.with_row_index("patient"))
        np.testing.assert_allclose(curve.survival, plain.survival, rtol=1e-12)
        alive = plain.survival > 0
        np.testing.assert_allclose(curve.greenwood[alive], plain.greenwood[alive], rtol=1e-9, atol=1e-18)
        assert curve.trials is not None
        np.testing.assert_array_equal(curve.trials, plain.at_risk)


def test_identical_twins_double_the_variance() -> None:
    """By hand: each patient's spell told twice: the same curve, the variance of half as many people."""
    spells = pl.DataFrame({"patient": range(6), "exit_day": [1, 3, 3, 5, 6, 9], "events": [1, 0, 1, 1, 0, 1]})
    once, twice = clustered_survival(spells), clustered_survival(pl.concat([spells, spells]))
    np.testing.assert_allclose(twice.survival, once.survival, rtol=1e-12)
    np.testing.assert_allclose(twice.greenwood[:-1], once.greenwood[:-1], rtol=1e-9)
    assert twice.trials is not None
    assert twice.trials.tolist() == once.at_risk.tolist()
    assert twice.at_risk.tolist() == (2 * once.at_risk).tolist()


def test_one_patient_has_no_limits() -> None:
    """By hand: nothing shows how patients differ; the estimate stands without limits, not with zero width."""
    curve = clustered_survival(pl.DataFrame({"patient": [1, 1, 1], "exit_day": [2, 4, 8], "events": [1, 1, 0]}))
    before, one, two = survival_at(curve, [1, 3, 5])
    assert (before.estimate, before.limits_by) == (1.0, "exact_no_events")
    assert before.lower == pytest.approx(0.025)  # one patient, not three
    assert one.estimate == pytest.approx(2 / 3)
    assert (one.lower, one.upper, one.std_error, one.limits_by, one.reason) == (None,) * 5
    assert two.estimate == pytest.approx(1 / 3)
    median = quantile_with_limits(curve)
    assert (median.estimate_days, median.lower_days, median.upper_days) == (4.0, None, None)
    # all three with the event: 0, and no limit to carry over
    end = clustered_survival(pl.DataFrame({"patient": [1, 1], "exit_day": [2, 4], "events": [1, 1]}))
    (last,) = survival_at(end, [4])
    assert (last.estimate, last.lower, last.upper) == (0.0, None, None)


def test_before_the_first_event_patients_count() -> None:
    """By hand: 3 patients, of whom one has left by day 4, give 5 spells: lower limit 0.025 ** (1 / 2)."""
    spells = pl.DataFrame({"patient": [1, 1, 2, 2, 3], "exit_day": [9, 9, 9, 9, 3], "events": [1, 0, 0, 0, 0]})
    on_3, on_4 = survival_at(clustered_survival(spells), [3, 4])
    assert on_3.lower == pytest.approx(0.025 ** (1 / 3))
    assert on_4.lower == pytest.approx(0.025 ** (1 / 2))
    late = spells.with_columns(entry_day=pl.Series([0, 0, 2, 2, 0]))
    on_1, on_5 = survival_at(clustered_survival(late), [1, 5])
    assert on_1.lower == pytest.approx(0.025 ** (1 / 2))
    assert on_5.lower == pytest.approx(0.025 ** (1 / 2))


def test_a_robust_variance_gives_no_restricted_mean() -> None:
    curve = clustered_survival(pl.DataFrame({"patient": [1, 2], "exit_day": [2, 4], "events": [1, 0]}))
    with pytest.raises(ValueError, match="restricted mean"):
        restricted_mean(curve, 3)


def test_nobody_observed() -> None:
    empty = pl.DataFrame(schema={"patient": pl.Int64, "exit_day": pl.Int64, "events": pl.Int64})
    (estimate,) = survival_at(clustered_survival(empty), [3])
    assert (estimate.estimate, estimate.reason) == (None, "beyond_follow_up")


@pytest.mark.parametrize(
    ("change", "problem"),
    [
        ({"events": [2, 0]}, "day 5: events is neither 0 nor 1"),
        ({"exit_day": [-5, 9]}, "day -5: exit_day is negative"),
        ({"patient": [None, 2]}, "day 5: patient is missing"),
        ({"alike": [0, 1]}, "day 5: alike is below 1"),
        ({"entry_day": [5, 0]}, "day 5: a spell ends here"),
    ],
)
def test_impossible_spells_are_refused(change: dict[str, list[int | None]], problem: str) -> None:
    with pytest.raises(CountsError, match=problem):
        clustered_survival(pl.DataFrame({"patient": [1, 2], "exit_day": [5, 9], "events": [1, 0], **change}))


# entry, stay, patient, event
SPELLS = st.lists(
    st.tuples(st.integers(0, 4), st.integers(1, 8), st.integers(0, 4), st.integers(0, 1)), min_size=1, max_size=14
)
Spell = tuple[int, int, int, int]


def as_frame(spells: list[Spell]) -> pl.DataFrame:
    rows = [(patient, entry, entry + stay, event) for entry, stay, patient, event in spells]
    return pl.DataFrame(rows, schema=["patient", "entry_day", "exit_day", "events"], orient="row")


def log_survival(spells: list[Spell], weights: dict[int, float], days: list[int]) -> list[float]:
    """Log of the product limit with a weight for each patient: another way to compute it, spell by spell."""
    running, found = 0.0, []
    for day in days:
        here = [
            (weights[p], entry + stay == day and event)
            for entry, stay, p, event in spells
            if _at_risk(entry, stay, day)
        ]
        at_risk, events = sum(w for w, _ in here), sum(w for w, event in here if event)
        running = running + math.log(1 - events / at_risk) if events < at_risk - 1e-9 else -math.inf
        found.append(running)
    return found


def _at_risk(entry: int, stay: int, day: int) -> bool:
    return (entry < day or entry == 0) and day <= entry + stay


@given(SPELLS)
def test_variance_is_the_sum_of_squared_influences(spells: list[Spell]) -> None:
    """By hand: influences found by weighing all spells of one patient a little more and a little less."""
    curve = clustered_survival(as_frame(spells))
    rows = (curve.at_risk > 0) & (curve.survival > 0)
    days, patients, small = curve.day[rows].tolist(), {patient for _, _, patient, _ in spells}, 1e-5
    variance = np.zeros(len(days))
    for patient in patients:
        more, less = ({p: 1.0 + (p == patient) * by for p in patients} for by in (small, -small))
        difference = np.subtract(log_survival(spells, more, days), log_survival(spells, less, days))
        variance += (difference / (2 * small)) ** 2
    np.testing.assert_allclose(np.sqrt(curve.greenwood[rows]), np.sqrt(variance), rtol=1e-5, atol=1e-6)
    assert curve.trials is not None
    present = [len({p for entry, stay, p, _ in spells if _at_risk(entry, stay, day)}) for day in curve.day.tolist()]
    assert curve.trials.tolist() == present


@given(SPELLS, st.integers(2, 4))
def test_folded_patients_give_the_same_curve(spells: list[Spell], times: int) -> None:
    frame = as_frame(spells)
    folded = clustered_survival(frame.with_columns(alike=pl.lit(times)))
    copies = [frame.with_columns(patient=pl.format("{}-{}", "patient", pl.lit(copy))) for copy in range(times)]
    unfolded = clustered_survival(pl.concat(copies))
    np.testing.assert_allclose(folded.survival, unfolded.survival, rtol=1e-12)
    np.testing.assert_allclose(folded.greenwood, unfolded.greenwood, rtol=1e-6, atol=1e-12)
    np.testing.assert_array_equal(folded.trials, unfolded.trials)


@pytest.mark.slow
@pytest.mark.parametrize(("patients", "stated"), [(10, 0.92), (20, 0.945), (300, 0.95)])
def test_limits_hold_the_truth(patients: int, stated: float) -> None:
    """Simulation: three gaps a patient with a shared frailty; true survival 0.48; what the docstring admits to.

    Gaps are exponential with a hazard of ln(2) / 365 times a log-normal frailty, so survival is the mean over
    frailties, found here by a million draws. All gaps are lost evenly over 0 to 1,500 days. What ignoring patients
    would do is the last line.
    """
    rng, samples, day = np.random.default_rng(20261120), 1500, 365
    truth = float(np.exp(-math.log(2) / 365 * day * np.exp(rng.normal(0, 1, 10**6))).mean())
    assert truth == pytest.approx(0.477, abs=0.002)
    held = held_without = 0
    for _ in range(samples):
        frailty = np.repeat(np.exp(rng.normal(0, 1, patients)), 3)
        gap = np.ceil(rng.exponential(365 / math.log(2) / frailty)).astype(np.int64)
        lost = np.ceil(rng.uniform(0, 1500, 3 * patients)).astype(np.int64)
        events = (gap <= lost).astype(np.int64)
        spells = {"exit_day": np.minimum(gap, lost), "events": events}
        frame = pl.DataFrame({"patient": np.repeat(np.arange(patients), 3), **spells})
        (ours,) = survival_at(clustered_survival(frame), [day])
        (plain,) = survival_at(product_limit(risk_table(pl.DataFrame({**spells, "censored": 1 - events}))), [day])
        assert ours.lower is not None
        assert ours.upper is not None
        assert plain.lower is not None
        assert plain.upper is not None
        held += ours.lower <= truth <= ours.upper
        held_without += plain.lower <= truth <= plain.upper
    assert held / samples == pytest.approx(stated, abs=3 * math.sqrt(0.95 * 0.05 / samples) + 0.005)
    assert held_without / samples < 0.92
