"""Simultaneous bands: critical values against published tables, bands by hand and in simulations."""

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.estimators import (
    Band,
    clustered_survival,
    cumulative_incidence,
    hall_wellner_band,
    product_limit,
    risk_table,
    simulated_incidence_band,
    simulated_survival_band,
)
from pipelines.estimators.band_critical_value import hall_wellner_critical, stays_within
from pipelines.estimators.bands import _critical

Spells = Callable[[str], pl.DataFrame]
Results = Callable[[str], Any]


def cells(table: Any) -> list[tuple[float, float, float]]:
    """From, to and critical value of each filled cell of a published table."""
    return [
        (from_share, to_share, value)
        for to_share, row in zip(table["to_share"], table["value"], strict=True)
        for from_share, value in zip(table["from_share"], row, strict=True)
        if value is not None and from_share < to_share
    ]


@pytest.mark.parametrize("level", ["90", "95", "99"])
def test_hall_wellner_published_table(level: str, reference_results: Results) -> None:
    """Published: Klein & Moeschberger 2003, Survival Analysis, table C.4, four decimals, as carried by R km.ci."""
    table = cells(reference_results("band_critical_values")["hall_wellner"][level])
    assert len(table) > 80
    for from_share, to_share, value in table:
        below, above = (stays_within(from_share, to_share, value + by) for by in (-1.5e-4, 1.5e-4))
        assert below < int(level) / 100 < above, (from_share, to_share)


def test_over_everything_it_is_the_kolmogorov_distribution() -> None:
    """Other software: scipy kstwobign; published 1.3581 for 95 %, Smirnov 1948, Ann Math Stat 19:279-281."""
    from scipy.stats import kstwobign

    assert hall_wellner_critical(0.0, 1.0) == pytest.approx(1.3581, abs=5e-5)
    for level in (0.5, 0.8, 0.9, 0.99):
        assert hall_wellner_critical(0.0, 1.0, level) == pytest.approx(float(kstwobign.ppf(level)), rel=1e-7)


def test_over_no_length_it_is_a_normal_quantile() -> None:
    """By hand: at a single a the bridge is normal with variance a (1 - a)."""
    for share in (0.2, 0.5, 0.9):
        critical = hall_wellner_critical(share * (1 - 1e-9), share)
        assert critical == pytest.approx(1.959963985 * math.sqrt(share * (1 - share)), rel=1e-3)


@settings(deadline=None, max_examples=50)
@given(st.floats(0.0, 0.95), st.floats(0.01, 1.0), st.floats(0.3, 2.5))
def test_a_longer_span_is_harder_to_hold(start: float, length: float, c: float) -> None:
    end = min(1.0, start + length)
    middle = (start + end) / 2
    whole, half = stays_within(start, end, c), stays_within(start, middle, c)
    assert 0.0 <= whole <= half + 1e-9
    assert half <= 1.0 + 1e-9
    assert stays_within(1 - end, 1 - start, c) == pytest.approx(whole, abs=1e-7)  # backwards it is a bridge too


@pytest.mark.parametrize("level", ["90", "95"])
def test_simulated_critical_values_published_table(level: str, reference_results: Results) -> None:
    """Published: Klein & Moeschberger 2003, table C.3 (Nair), equal precision, as carried by R km.ci.

    A curve of many small steps is simulated. Ours is known to about 1 % and looks at steps only, not between them.
    """
    table = cells(reference_results("band_critical_values")["equal_precision"][level])
    chosen = [cell for cell in table if cell[:2] in {(0.04, 0.6), (0.12, 0.9), (0.2, 0.4), (0.4, 0.8)}]
    assert len(chosen) == 4
    for from_share, to_share, value in chosen:
        sigma = np.geomspace(from_share / (1 - from_share), to_share / (1 - to_share), 1500)
        steps, nothing = np.diff(sigma, prepend=0.0), np.zeros(sigma.size)
        ours = _critical(steps, nothing, nothing, nothing, 0, int(level) / 100, seed=3)
        assert ours == pytest.approx(value, rel=0.02)
        assert ours < value * 1.01


def test_hall_wellner_by_hand() -> None:
    """By hand: 40 people; day 3: S = 3/4, n sigma^2 = 40 x 10 / (40 x 30) = 1/3; day 5: S = 1/4, 1/3 + 40 x 20/300 = 3.

    c from a = 0 to 3/4. Half-widths c S (1 + n sigma^2) / sqrt(40): 1, 1 and 1 times c / sqrt(40).
    """
    table = pl.DataFrame({"day": [3, 5], "at_risk": [40, 30], "events": [10, 20], "censored": [0, 10]})
    band = hall_wellner_band(product_limit(table))
    assert band is not None
    half = hall_wellner_critical(0.0, 0.75) / math.sqrt(40)
    assert (band.from_day, band.to_day, band.day.tolist()) == (0, 5, [0, 3, 5])
    np.testing.assert_allclose(band.lower, [1 - half, 0.75 - half, 0.25 - half])
    np.testing.assert_allclose(band.upper, [1.0, 0.75 + half, 0.25 + half])
    part = hall_wellner_band(product_limit(table), from_day=4, to_day=9)
    assert part is not None
    assert (part.from_day, part.to_day, part.day.tolist()) == (4, 5, [4, 5])
    assert part.critical_value == pytest.approx(hall_wellner_critical(0.25, 0.75))


def test_where_no_band_can_be_given(reference_spells: Spells) -> None:
    nobody = product_limit(risk_table(pl.DataFrame(schema=dict.fromkeys(["exit_day", "events", "censored"], pl.Int64))))
    no_events = product_limit(risk_table(pl.DataFrame({"exit_day": [5], "events": [0], "censored": [30]})))
    all_at_once = product_limit(risk_table(pl.DataFrame({"exit_day": [5], "events": [30], "censored": [0]})))
    for curve in (nobody, no_events, all_at_once):
        assert hall_wellner_band(curve) is None
        assert simulated_survival_band(curve) is None
    six_mp = product_limit(risk_table(reference_spells("six_mp")))
    assert simulated_survival_band(six_mp) is None  # 9 events
    assert simulated_survival_band(six_mp, from_day=5) is None  # none by day 5
    assert simulated_survival_band(six_mp, from_day=6, to_day=20) is not None
    assert hall_wellner_band(six_mp, from_day=36) is None
    for refused in (
        product_limit(risk_table(reference_spells("myeloma"))),
        clustered_survival(pl.DataFrame({"patient": [1, 2], "exit_day": [5, 6], "events": [1, 0]})),
    ):
        with pytest.raises(ValueError, match="Hall-Wellner"):
            hall_wellner_band(refused)
    with pytest.raises(ValueError, match="no clusters"):
        simulated_survival_band(refused)
    with pytest.raises(ValueError, match=r"0\.95"):
        hall_wellner_band(six_mp, level=95)
    causes = cumulative_incidence(risk_table(reference_spells("transplant")))
    with pytest.raises(KeyError, match="expected one of"):
        simulated_incidence_band(causes, "9")


def test_bands_hold_the_curve_and_repeat_themselves(reference_spells: Spells) -> None:
    curve = product_limit(risk_table(reference_spells("myeloma")))
    causes = cumulative_incidence(risk_table(reference_spells("mgus_late_entry")))
    pairs = [
        (simulated_survival_band(curve), simulated_survival_band(curve), curve.day, curve.survival),
        *(
            (simulated_incidence_band(causes, k), simulated_incidence_band(causes, k), causes.day, causes.incidence[i])
            for i, k in enumerate(causes.causes)
        ),
    ]
    for band, again, day, heights in pairs:
        assert band is not None
        assert again is not None
        assert again.critical_value == band.critical_value
        assert 2.4 < band.critical_value < 3.6
        inside = (day >= band.from_day) & (day <= band.to_day)
        np.testing.assert_array_equal(band.day, day[inside])
        assert np.all((band.lower <= heights[inside]) & (heights[inside] <= band.upper))
    other = simulated_survival_band(curve, seed=2)
    assert other is not None
    assert other.critical_value != pairs[0][0].critical_value
    assert other.critical_value == pytest.approx(pairs[0][0].critical_value, rel=0.03)


def test_one_cause_gives_the_band_of_kaplan_meier(reference_spells: Spells) -> None:
    """By hand: one cause alone: the same standard errors and steps, so the same critical value up to simulation."""
    table = risk_table(reference_spells("mgus"))
    survival = simulated_survival_band(product_limit(table))
    incidence = simulated_incidence_band(cumulative_incidence(table.rename({"events": "events_only"})), "only")
    assert survival is not None
    assert incidence is not None
    assert (incidence.from_day, incidence.to_day) == (survival.from_day, survival.to_day)
    assert incidence.critical_value == pytest.approx(survival.critical_value, rel=0.03)


PEOPLE = st.lists(st.tuples(st.integers(0, 9), st.integers(0, 1), st.integers(1, 9)), min_size=1, max_size=12)


@settings(deadline=None, max_examples=40)
@given(PEOPLE, st.integers(0, 5))
def test_a_hall_wellner_band_falls_and_holds_its_curve(people: list[tuple[int, int, int]], from_day: int) -> None:
    rows = [(day, event * n, (1 - event) * n) for day, event, n in people]
    curve = product_limit(risk_table(pl.DataFrame(rows, schema=["exit_day", "events", "censored"], orient="row")))
    band = hall_wellner_band(curve, from_day=from_day)
    if band is None:
        return
    heights = np.concatenate([[1.0], curve.survival])[np.searchsorted(curve.day, band.day, side="right")]
    assert np.all((band.lower <= heights + 1e-12) & (heights <= band.upper + 1e-12))
    assert np.all((band.lower >= 0) & (band.upper <= 1))
    assert np.all(np.diff(band.lower) <= 0)
    assert np.all(np.diff(band.upper) <= 0)
    assert band.lower[-1] < band.upper[-1]


def holds(band: Band, truth: Callable[[Any], Any]) -> bool:
    """Whether the band holds a curve on every day."""
    days = np.arange(band.from_day, band.to_day + 1)
    rows = np.searchsorted(band.day, days, side="right") - 1
    return bool(np.all((band.lower[rows] <= truth(days) + 1e-12) & (truth(days) <= band.upper[rows] + 1e-12)))


@pytest.mark.slow
def test_bands_hold_the_whole_truth() -> None:
    """Simulation: 300 people, half with the event by day 1,200, lost evenly over 10 years; what the docstrings admit.

    Bands: Hall-Wellner on all days; simulated ones under late entry, for survival and for one of two causes.
    """
    rng, samples, people, hazard = np.random.default_rng(20261130), 800, 300, math.log(2) / 1200
    held = np.zeros(3)
    for _ in range(samples):
        event = np.ceil(rng.exponential(1 / hazard, 3 * people)).astype(np.int64)
        lost = np.ceil(rng.uniform(0, 3650, 3 * people)).astype(np.int64)
        cause = np.where(event <= lost, rng.choice([1, 2], 3 * people, p=[0.4, 0.6]), 0)
        leaves = np.minimum(event, lost)
        outcomes = {
            "events_a": (cause == 1).astype(np.int64),
            "events_b": (cause == 2).astype(np.int64),
            "censored": (cause == 0).astype(np.int64),
        }
        frame = pl.DataFrame({"exit_day": leaves, **outcomes}).with_columns(
            entry_day=np.where(rng.random(3 * people) < 0.3, rng.integers(1, 400, 3 * people), 0)
        )
        either = (pl.col("events_a") + pl.col("events_b")).alias("events")
        from_origin = risk_table(frame.head(people).select("exit_day", either, "censored"))
        late = frame.filter(pl.col("exit_day") > pl.col("entry_day")).head(people)
        whole = hall_wellner_band(product_limit(from_origin))
        survival = simulated_survival_band(
            product_limit(risk_table(late.select("entry_day", "exit_day", either, "censored")))
        )
        incidence = simulated_incidence_band(cumulative_incidence(risk_table(late)), "a")
        assert whole is not None
        assert survival is not None
        assert incidence is not None
        held += [
            holds(whole, lambda day: np.exp(-hazard * day)),
            holds(survival, lambda day: np.exp(-hazard * day)),
            holds(incidence, lambda day: 0.4 * (1 - np.exp(-hazard * day))),
        ]
    assert held / samples == pytest.approx([0.95, 0.94, 0.94], abs=3 * math.sqrt(0.95 * 0.05 / samples) + 0.005)
