"""Gray's test against other software and by hand."""

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.estimators import CountsError, gray_test, log_rank, risk_table, stratified_gray_test

Rows = Callable[[str], pl.DataFrame]
Results = Callable[[str], Any]


def tables_of(data: pl.DataFrame, causes: list[int]) -> dict[str, pl.DataFrame]:
    """One risk table a group, in the order of the groups' numbers."""
    outcomes = {f"events_{cause}": (pl.col("cause") == cause).cast(pl.Int64) for cause in causes}
    spells = data.select("group", "exit_day", **outcomes, censored=(pl.col("cause") == 0).cast(pl.Int64))
    parts = spells.sort("group", maintain_order=True).partition_by("group", as_dict=True, maintain_order=True)
    return {str(group): risk_table(part) for (group,), part in parts.items()}


@pytest.mark.parametrize("name", ["transplant", "mgus", "small"])
def test_other_software_r_cmprsk(name: str, reference_rows: Rows, reference_results: Results) -> None:
    """Other software: R cmprsk cuminc, plain and stratified; ties, day 0, three causes, a person left alone."""
    expected = reference_results("gray_test")[name]
    data = reference_rows(f"grouped_causes_{name}")
    causes = sorted(set(data["cause"]) - {0})
    strata = {
        str(stratum): tables_of(part, causes) for (stratum,), part in data.partition_by("stratum", as_dict=True).items()
    }
    assert list(expected["plain"]) == [str(cause) for cause in causes]
    for cause in causes:
        for ours, theirs in (
            (gray_test(tables_of(data, causes), str(cause)), expected["plain"][str(cause)]),
            (stratified_gray_test(strata, str(cause)), expected["stratified"][str(cause)]),
        ):
            assert ours.statistic == pytest.approx(theirs["statistic"], rel=1e-8)
            assert ours.degrees_of_freedom == theirs["df"]
            assert sum(ours.observed) == data.filter(pl.col("cause") == cause).height


def test_by_hand() -> None:
    """By hand: two of a and two of b; day 1: one of a dies; day 2: one of a and one of b have the event.

    The dead stays in: on day 2 there are 1 x 1 / (1/2) = 2 of a and 2 of b at risk, so 1 event is expected in each.
    A log-rank test has one of a among three: 2/3 expected.
    """
    a = pl.DataFrame({"exit_day": [1, 2], "events_next": [0, 1], "events_died": [1, 0], "censored": [0, 0]})
    b = pl.DataFrame({"exit_day": [2, 9], "events_next": [1, 0], "events_died": [0, 0], "censored": [0, 1]})
    tables = {"a": risk_table(a), "b": risk_table(b)}
    result = gray_test(tables, "next")
    assert (result.observed, result.expected) == ((1, 1), (1.0, 1.0))
    assert result.statistic == pytest.approx(0.0)
    alive = {name: table.select("day", "at_risk", "censored", events="events_next") for name, table in tables.items()}
    alive["a"] = alive["a"].with_columns(censored=pl.col("censored") + tables["a"]["events_died"])
    assert log_rank(alive).expected == pytest.approx((2 / 3, 4 / 3))


def test_without_events_or_a_second_group_there_is_no_statistic() -> None:
    none = risk_table(pl.DataFrame({"exit_day": [5], "events_a": [0], "events_b": [2], "censored": [3]}))
    some = risk_table(pl.DataFrame({"exit_day": [5, 7], "events_a": [1, 0], "events_b": [2, 0], "censored": [0, 3]}))
    for tables, reason in (({}, "no_events"), ({"x": none, "y": none}, "no_events"), ({"x": some}, "one_group")):
        result = gray_test(tables, "a")
        assert (result.statistic, result.p_value, result.reason) == (None, None, reason)
    strata = {"one": {"x": some}, "two": {"y": some}, "three": {}}
    assert stratified_gray_test(strata, "a").reason == "one_group"


def test_late_entry_and_a_missing_cause_are_refused() -> None:
    spells = {"exit_day": [5, 7], "events_a": [1, 0], "events_b": [2, 0], "censored": [0, 3]}
    late = risk_table(pl.DataFrame({"entry_day": [0, 2], **spells}))
    with pytest.raises(CountsError, match=r"group y: .*enters late"):
        gray_test({"x": risk_table(pl.DataFrame(spells)), "y": late}, "a")
    with pytest.raises(CountsError, match="group y: missing column events_c"):
        gray_test({"y": late}, "c")


# day, group, cause
PEOPLE = st.lists(st.tuples(st.integers(0, 9), st.integers(0, 2), st.integers(0, 2)), min_size=1, max_size=25)


def frame_of(people: list[tuple[int, int, int]]) -> pl.DataFrame:
    return pl.DataFrame(people, schema=["exit_day", "group", "cause"], orient="row")


@given(PEOPLE)
def test_expected_events_are_as_many_as_observed(people: list[tuple[int, int, int]]) -> None:
    tables = tables_of(frame_of(people), [1, 2])
    result = gray_test(tables, "1")
    assert sum(result.expected) == pytest.approx(sum(result.observed), abs=1e-9)
    backwards = gray_test(dict(reversed(tables.items())), "1")
    assert backwards.degrees_of_freedom == result.degrees_of_freedom
    if result.statistic is not None:
        assert math.isfinite(result.statistic)
        assert result.statistic >= 0
        assert backwards.statistic == pytest.approx(result.statistic, rel=1e-6, abs=1e-9)


@given(PEOPLE)
def test_without_another_cause_the_excess_is_that_of_the_log_rank(people: list[tuple[int, int, int]]) -> None:
    """By hand: then share free of any event = 1 - incidence, and who is at risk is at risk."""
    tables = tables_of(frame_of([(day, group, min(cause, 1)) for day, group, cause in people]), [1])
    plain = {name: table.rename({"events_1": "events"}) for name, table in tables.items()}
    np.testing.assert_allclose(gray_test(tables, "1").expected, log_rank(plain).expected, atol=1e-9)


@pytest.mark.slow
def test_rejects_as_often_as_it_says() -> None:
    """Simulation: two groups with one incidence but unequal loss, 150 people each, 5 % level; three Monte Carlo errors.

    Both reach the event at a daily hazard of 0.001 beside a competing one of 0.002.
    """
    rng, samples, people = np.random.default_rng(20261110), 2000, 150
    rejected = 0
    for _ in range(samples):
        tables = {}
        for group, lost_by in (("a", 900), ("b", 2500)):
            event = np.ceil(rng.exponential(1 / 0.003, people)).astype(np.int64)
            lost = np.ceil(rng.uniform(0, lost_by, people)).astype(np.int64)
            cause = np.where(event <= lost, rng.choice([1, 2], people, p=[1 / 3, 2 / 3]), 0)
            spells = {"exit_day": np.minimum(event, lost), "censored": (cause == 0).astype(np.int64)}
            tables[group] = risk_table(
                pl.DataFrame({**spells, **{f"events_{k}": (cause == k).astype(np.int64) for k in (1, 2)}})
            )
        p_value = gray_test(tables, "1").p_value
        assert p_value is not None
        rejected += p_value < 0.05
    assert rejected / samples == pytest.approx(0.05, abs=3 * math.sqrt(0.05 * 0.95 / samples))
