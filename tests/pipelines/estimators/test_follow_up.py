"""Completeness and length of follow-up, by hand, against other software and in simulations."""

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.estimators import CountsError, follow_up_completeness, median_follow_up

Spells = Callable[[str], pl.DataFrame]


def test_completeness_by_hand() -> None:
    """By hand, closing date day 100 of the study: A from day 0 to the end, 100 of 100; B from day 40, lost on day 70,
    30 of 60; C from day 20 with the event on day 50, 30 of 30; D never seen again, 0 of 10. 160 of 200 days.

    Within 40 days of each one's start: 40, 30, 30, 0 of 40, 40, 30, 10.
    """
    rows = pl.DataFrame({"observed_days": [100, 30, 30, 0], "potential_days": [100, 60, 30, 10]})
    whole = follow_up_completeness(rows)
    assert (whole.share, whole.observed_days, whole.potential_days) == (0.8, 160, 200)
    assert (whole.people, whole.complete) == (4, 2)
    early = follow_up_completeness(rows, within_days=40)
    assert (early.share, early.complete) == (pytest.approx(100 / 120), 2)


def test_nobody_to_follow_has_no_share() -> None:
    nobody = pl.DataFrame(schema=dict.fromkeys(["observed_days", "potential_days", "people"], pl.Int64))
    assert follow_up_completeness(nobody).share is None
    assert follow_up_completeness(pl.DataFrame({"observed_days": [0], "potential_days": [0]})).share is None
    spells = pl.DataFrame(schema=dict.fromkeys(["exit_day", "events", "censored"], pl.Int64))
    assert median_follow_up(spells).estimate_days is None
    all_had_it = pl.DataFrame({"exit_day": [5], "events": [4], "censored": [0]})
    assert median_follow_up(all_had_it).estimate_days is None


@pytest.mark.parametrize(
    ("rows", "problem"),
    [
        ({"observed_days": [9], "potential_days": [8]}, "day 9: observed for longer than possible"),
        ({"observed_days": [-1], "potential_days": [8]}, "day -1: observed_days is negative"),
        ({"observed_days": [1], "potential_days": [8], "people": [-2]}, "day 1: people is negative"),
        ({"observed_days": [1, 2], "potential_days": [8, None]}, "day 2: potential_days is missing"),
        ({"observed_days": [1]}, "missing column potential_days"),
        ({"potential_days": [1]}, "missing column observed_days"),
    ],
)
def test_impossible_follow_up_is_refused(rows: dict[str, list[int | None]], problem: str) -> None:
    with pytest.raises(CountsError, match=problem):
        follow_up_completeness(pl.DataFrame(rows))
    with pytest.raises(ValueError, match="within_days 0"):
        follow_up_completeness(pl.DataFrame({"observed_days": [1], "potential_days": [8]}), within_days=0)


@pytest.mark.parametrize("name", ["lung", "mgus", "myeloma", "six_mp"])
def test_median_other_software_r(name: str, reference_spells: Spells, reference_results: Callable[[str], Any]) -> None:
    """Other software: R survfit with the status turned round; ties, delayed entry."""
    expected = reference_results("follow_up")[name]
    ours = median_follow_up(reference_spells(name))
    assert (ours.estimate_days, ours.lower_days, ours.upper_days) == tuple(
        expected[key] for key in ("quantile", "lower", "upper")
    )


def test_causes_count_as_one_event(reference_spells: Spells) -> None:
    """By hand: whatever the event, it ends observation unseen."""
    spells = reference_spells("transplant")
    causes = [name for name in spells.columns if name.startswith("events_")]
    either = spells.with_columns(events=pl.sum_horizontal(causes)).drop(causes)
    assert median_follow_up(spells) == median_follow_up(either)
    with pytest.raises(CountsError, match="events is negative"):
        median_follow_up(pl.DataFrame({"exit_day": [3], "events": [-1], "censored": [2]}))


FOLLOWED = st.lists(st.tuples(st.integers(0, 50), st.integers(0, 50), st.integers(0, 5)), max_size=10)


@given(FOLLOWED, st.integers(1, 60))
def test_completeness_is_a_share_and_folding_changes_nothing(people: list[tuple[int, int, int]], within: int) -> None:
    rows = [(observed, observed + missed, n) for observed, missed, n in people]
    folded = pl.DataFrame(rows, schema=["observed_days", "potential_days", "people"], orient="row")
    single = pl.DataFrame([row[:2] for row in rows for _ in range(row[2])], schema=folded.columns[:2], orient="row")
    if single.height == 0:
        single = single.cast(pl.Int64)
    if folded.height == 0:
        folded = folded.cast(pl.Int64)
    for days in (None, within):
        ours = follow_up_completeness(folded, within_days=days)
        assert ours == follow_up_completeness(single, within_days=days)
        assert ours.share is None or 0 <= ours.share <= 1
        assert ours.complete <= ours.people
        if ours.share == 1:
            assert ours.complete == ours.people


@pytest.mark.slow
def test_recovers_planted_loss_and_length() -> None:
    """Simulation: all could be followed for 1,000 days, and are lost at a rate of 1 in 1,000 a day: 1 - 1/e is seen.

    Then observation ends evenly between 0 and 2,000 days, median 1,000, but most have the event before: the median of
    the days actually observed is below 600.
    """
    rng, people = np.random.default_rng(20261140), 100_000
    lost = np.minimum(rng.exponential(1000, people), 1000)
    rows = pl.DataFrame({"observed_days": np.floor(lost).astype(np.int64), "potential_days": [1000] * people})
    share = follow_up_completeness(rows).share
    assert share is not None
    three_errors = 3 * lost.std() / 1000 / math.sqrt(people)
    assert share == pytest.approx(1 - math.exp(-1), abs=three_errors + 0.0005)  # half a day from rounding down

    samples, held, medians = 1000, 0, np.empty(1000)
    for sample in range(samples):
        event, ends = (
            np.ceil(rng.exponential(600, 400)).astype(np.int64),
            np.ceil(rng.uniform(0, 2000, 400)).astype(np.int64),
        )
        had_it = (event <= ends).astype(np.int64)
        exits = np.minimum(event, ends)
        assert np.median(exits) < 600
        ours = median_follow_up(pl.DataFrame({"exit_day": exits, "events": had_it, "censored": 1 - had_it}))
        assert ours.estimate_days is not None
        medians[sample] = ours.estimate_days
        held += (ours.lower_days or 0) <= 1000 <= (ours.upper_days or math.inf)
    assert medians.mean() == pytest.approx(1000, abs=3 * medians.std() / math.sqrt(samples) + 5)
    assert held / samples == pytest.approx(0.95, abs=3 * math.sqrt(0.95 * 0.05 / samples) + 0.005)
