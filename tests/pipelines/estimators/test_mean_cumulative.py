"""Mean cumulative number of events against other software and by hand."""

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.estimators import CountsError, cumulative_incidence, mean_at, mean_cumulative, product_limit, risk_table

Rows = Callable[[str], pl.DataFrame]
Results = Callable[[str], Any]


@pytest.mark.parametrize("name", ["cgd", "bladder", "valve_seats"])
def test_other_software_r_survfit(name: str, reference_rows: Rows, reference_results: Results) -> None:
    """Other software: R survfit with id, mean and robust standard error; see tests/reference/mean_cumulative.R.

    valve_seats: the data are published (Nelson 1995; Lawless & Nadeau 1995).
    """
    expected = reference_results("mean_cumulative")[name]
    curve = mean_cumulative(reference_rows(name).drop("died"))
    assert curve.day.tolist() == expected["day"]
    np.testing.assert_allclose(curve.mean, expected["mean"], rtol=1e-10)
    np.testing.assert_allclose(curve.std_error, expected["std_error"], rtol=1e-8)
    if name != "valve_seats":  # R was given one event of a day a little earlier
        assert curve.at_risk.tolist() == expected["at_risk"]
        assert curve.events.tolist() == expected["events"]


@pytest.mark.parametrize("name", ["bladder", "bladder_no_ties"])
def test_death_other_software_r_influences(name: str, reference_rows: Rows, reference_results: Results) -> None:
    """Other software: mean and variance put together from R survfit's influence values, ties included."""
    expected = reference_results("mean_cumulative")[f"{name}_with_death"]
    curve = mean_cumulative(reference_rows(name))
    assert curve.day.tolist() == expected["day"]
    np.testing.assert_allclose(curve.mean, expected["mean"], rtol=1e-10)
    np.testing.assert_allclose(curve.std_error, expected["std_error"], rtol=1e-8)
    np.testing.assert_allclose(curve.alive, expected["alive"], rtol=1e-10)


def test_death_other_software_r_mets(reference_rows: Rows, reference_results: Results) -> None:
    """Other software: R mets recurrentMarginal (Cook & Lawless; Ghosh & Lin) on times without ties.

    Its standard error takes death as if continuous: 1 / at_risk where ours has 1 / survivors; 0.04 % apart here.
    """
    expected = reference_results("mean_cumulative")["bladder_no_ties_with_death_by_mets"]
    curve = mean_cumulative(reference_rows("bladder_no_ties"))
    rows = np.searchsorted(curve.day, expected["day"])
    np.testing.assert_allclose(curve.mean[rows], expected["mean"], rtol=1e-10)
    np.testing.assert_allclose(curve.std_error[rows], expected["std_error"], rtol=0.001)


def test_by_hand() -> None:
    """By hand: A has events on days 2 and 4 and is followed to 6, B has none and leaves on day 4, C dies on day 3.

    Steps: day 2, 1/3; day 4, 2 at risk of whom 1 has one, 2/3 alive: 1/2 x 2/3 = 1/3.
    """
    curve = mean_cumulative(
        pl.DataFrame(
            {
                "patient": ["A", "A", "A", "B", "C"],
                "entry_day": [0, 2, 4, 0, 0],
                "exit_day": [2, 4, 6, 4, 3],
                "events": [1, 1, 0, 0, 0],
                "died": [0, 0, 0, 0, 1],
            }
        )
    )
    assert curve.day.tolist() == [2, 3, 4, 6]
    assert curve.at_risk.tolist() == [3, 3, 2, 1]
    np.testing.assert_allclose(curve.mean, [1 / 3, 1 / 3, 2 / 3, 2 / 3])
    np.testing.assert_allclose(curve.alive, [1, 2 / 3, 2 / 3, 2 / 3])
    # day 2: influences 2/9, -1/9, -1/9
    assert curve.std_error[0] == pytest.approx(math.sqrt(6) / 9)


def test_everybody_followed_gives_the_sample_mean() -> None:
    """By hand: 4 people to day 9 with 0, 1, 1 and 3 events: mean 5/4, variance of the mean 4.75 / 16."""
    rows = [(1, 9, 0), (2, 3, 1), (2, 9, 0), (3, 9, 1), (4, 2, 2), (4, 5, 1), (4, 9, 0)]
    frame = pl.DataFrame(rows, schema=["patient", "exit_day", "events"], orient="row")
    frame = frame.with_columns(entry_day=pl.col("exit_day").shift(1, fill_value=0).over("patient"))
    (end,) = mean_at(mean_cumulative(frame), [9])
    assert (end.estimate, end.events, end.limits_by) == (1.25, 5, "log")
    assert end.std_error == pytest.approx(math.sqrt(4.75) / 4)
    assert end.upper == pytest.approx(1.25 * math.exp(1.959963985 * math.sqrt(4.75) / 5), rel=1e-8)
    assert end.lower == pytest.approx(1.25 / math.exp(1.959963985 * math.sqrt(4.75) / 5), rel=1e-8)


def test_no_event_yet_has_an_upper_limit() -> None:
    """By hand: 6 people at risk on day 5: -log(0.025) / 6."""
    frame = pl.DataFrame({"patient": range(8), "exit_day": [2, 2] + [9] * 6, "events": [0] * 7 + [1]})
    before, on_day, past = mean_at(mean_cumulative(frame), [5, 9, 10])
    assert (before.estimate, before.lower, before.std_error, before.limits_by) == (0.0, 0.0, None, "poisson_no_events")
    assert before.upper == pytest.approx(-math.log(0.025) / 6)
    assert (on_day.limits_by, on_day.events, on_day.at_risk) == ("log", 1, 0)
    assert (past.estimate, past.reason) == (None, "beyond_follow_up")


def test_people_who_do_not_differ_show_no_spread() -> None:
    """By hand: one person alone, and two with one event each on different days: no limits, not zero width."""
    alone = pl.DataFrame({"patient": [1, 1], "entry_day": [0, 3], "exit_day": [3, 9], "events": [1, 0]})
    (estimate,) = mean_at(mean_cumulative(alone), [5])
    assert (estimate.estimate, estimate.lower, estimate.upper, estimate.std_error) == (1.0, None, None, None)
    assert (estimate.limits_by, estimate.reason) == (None, None)
    other = pl.DataFrame({"patient": [2, 2], "entry_day": [0, 7], "exit_day": [7, 9], "events": [1, 0]})
    both = pl.concat([alone, other])
    between, end = mean_at(mean_cumulative(both), [5, 9])
    assert between.limits_by == "log"
    assert (end.estimate, end.limits_by) == (1.0, None)


def test_nobody_observed() -> None:
    empty = pl.DataFrame(schema={"patient": pl.Int64, "exit_day": pl.Int64, "events": pl.Int64})
    curve = mean_cumulative(empty)
    assert (curve.day.size, curve.last_day) == (0, None)
    assert mean_at(curve, [0])[0].reason == "beyond_follow_up"


@pytest.mark.parametrize(
    ("rows", "day", "problem"),
    [
        ([(1, 0, 5, 1, 0), (1, 4, 9, 0, 0)], 9, "overlap"),
        ([(1, 0, 0, 1, 0), (1, 0, 9, 0, 0)], 9, "overlap"),
        ([(1, 0, 5, 0, 1), (1, 5, 9, 0, 0)], 9, "after death"),
        ([(1, 0, 5, -1, 0)], 5, "events is negative"),
        ([(1, 0, 5, 0, 2)], 5, "neither 0 nor 1"),
        ([(1, 6, 5, 0, 0)], 5, "begun"),
        ([(None, 0, 5, 0, 0)], 5, "patient is missing"),
    ],
)
def test_impossible_histories_are_refused(rows: list[tuple[int | None, ...]], day: int, problem: str) -> None:
    frame = pl.DataFrame(rows, schema=["patient", "entry_day", "exit_day", "events", "died"], orient="row")
    with pytest.raises(CountsError, match=problem) as raised:
        mean_cumulative(frame)
    assert raised.value.day == day


def test_columns_are_named() -> None:
    frame = pl.DataFrame(
        {"patient": [1, 1], "entry_day": [0, 4], "exit_day": [4, 5], "events": [1, 1], "alike": [2, 3]}
    )
    with pytest.raises(CountsError, match="alike differs"):
        mean_cumulative(frame)
    with pytest.raises(CountsError, match="missing column patient"):
        mean_cumulative(frame.drop("patient"))
    with pytest.raises(CountsError, match="missing column events"):
        mean_cumulative(frame.drop("events"))
    with pytest.raises(ValueError, match=r"0\.95"):
        mean_at(mean_cumulative(frame.drop("alike")), [3], 95)


# entry, then for each stretch its length and the events at its end; whether death ends the last
History = tuple[int, list[tuple[int, int]], int]
HISTORIES = st.lists(
    st.tuples(
        st.integers(0, 6),
        st.lists(st.tuples(st.integers(1, 6), st.integers(0, 2)), min_size=1, max_size=3),
        st.integers(0, 1),
    ),
    max_size=7,
)
COLUMNS = ["patient", "entry_day", "exit_day", "events", "died"]


def as_frame(histories: list[History]) -> pl.DataFrame:
    """One row a stretch."""
    rows = []
    for patient, (entry, stretches, died) in enumerate(histories):
        start = entry
        for number, (length, events) in enumerate(stretches):
            last = number == len(stretches) - 1
            rows.append((patient, start, start + length, events, died * last))
            start += length
    return pl.DataFrame(rows, schema=dict.fromkeys(COLUMNS, pl.Int64), orient="row")


def weighted_mean(frame: pl.DataFrame, weights: np.ndarray[Any, np.dtype[np.float64]], days: list[int]) -> list[float]:
    """The mean on each day, with a weight for each patient: another way to compute it, row by row."""
    rows = [(weights[patient], *rest) for patient, *rest in frame.select(COLUMNS).rows()]
    alive, mean, means = 1.0, 0.0, []
    for day in days:
        at_risk = sum(w for w, entry, exit_day, _, _ in rows if (entry < day or entry == 0) and day <= exit_day)
        mean += alive * sum(w * events for w, _, exit_day, events, _ in rows if exit_day == day) / at_risk
        alive *= 1 - sum(w * died for w, _, exit_day, _, died in rows if exit_day == day) / at_risk
        means.append(mean)
    return means


@given(HISTORIES)
def test_variance_is_the_sum_of_squared_influences(histories: list[History]) -> None:
    """By hand: influences found by weighing one person a little more and a little less."""
    frame = as_frame(histories)
    curve = mean_cumulative(frame)
    days = curve.day[curve.at_risk > 0].tolist()
    people, small = len(histories), 1e-5
    np.testing.assert_allclose(curve.mean[curve.at_risk > 0], weighted_mean(frame, np.ones(people), days), atol=1e-12)
    influences = np.zeros((people, len(days)))
    for person in range(people):
        more, less = np.ones(people), np.ones(people)
        more[person] += small
        less[person] -= small
        difference = np.subtract(weighted_mean(frame, more, days), weighted_mean(frame, less, days))
        influences[person] = difference / (2 * small)
    by_hand = np.sqrt((influences**2).sum(axis=0))
    np.testing.assert_allclose(curve.std_error[curve.at_risk > 0], by_hand, rtol=1e-5, atol=1e-7)


@given(HISTORIES)
def test_mean_rises_inside_its_limits(histories: list[History]) -> None:
    curve = mean_cumulative(as_frame(histories))
    assert np.all(np.diff(curve.mean, prepend=0.0) >= 0)
    for estimate in mean_at(curve, range(26)):
        assert (estimate.estimate is None) == (estimate.reason is not None)
        if estimate.estimate is None or estimate.upper is None:
            continue
        assert estimate.lower is not None
        assert 0 <= estimate.lower <= estimate.estimate <= estimate.upper
        assert estimate.lower < estimate.upper


@given(HISTORIES, st.integers(2, 4))
def test_folded_histories_give_the_same_curve(histories: list[History], times: int) -> None:
    frame = as_frame(histories)
    folded = mean_cumulative(frame.with_columns(alike=pl.lit(times)))
    copies = [frame.with_columns(patient=pl.format("{}-{}", "patient", pl.lit(copy))) for copy in range(times)]
    unfolded = mean_cumulative(pl.concat(copies).sample(fraction=1.0, shuffle=True, seed=5))
    np.testing.assert_array_equal(folded.at_risk, unfolded.at_risk)
    np.testing.assert_allclose(folded.mean, unfolded.mean, rtol=1e-12)
    np.testing.assert_allclose(folded.std_error, unfolded.std_error, rtol=1e-6, atol=1e-9)


@given(st.lists(st.tuples(st.integers(1, 12), st.integers(0, 2)), min_size=1, max_size=9))
def test_an_event_that_ends_observation_is_aalen_johansen(exits: list[tuple[int, int]]) -> None:
    """By hand: if cause 1 is the event and at the same time ends all, the mean is its cumulative incidence."""
    day, cause = (np.array(column) for column in zip(*exits, strict=True))
    ends = (cause > 0).astype(int)
    curve = mean_cumulative(
        pl.DataFrame({"patient": range(len(exits)), "exit_day": day, "events": cause == 1, "died": ends}).with_columns(
            pl.col("events").cast(pl.Int64)
        )
    )
    outcomes = {f"events_{k}": (cause == k).astype(int) for k in (1, 2)}
    spells = risk_table(pl.DataFrame({"exit_day": day, **outcomes, "censored": 1 - ends}))
    incidence = cumulative_incidence(spells)
    np.testing.assert_allclose(curve.mean, incidence.incidence[0], atol=1e-12)
    np.testing.assert_allclose(curve.std_error, incidence.std_error[0], atol=1e-6)
    both = spells.select(
        "day", "at_risk", "entered", events=pl.col("events_1") + pl.col("events_2"), censored="censored"
    )
    np.testing.assert_allclose(curve.alive, product_limit(both).survival, atol=1e-12)
