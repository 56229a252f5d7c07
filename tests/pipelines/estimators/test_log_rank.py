"""Log-rank tests against other software, published values and by hand."""

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import chi2

from pipelines.estimators import CountsError, GroupComparison, log_rank, risk_table, stratified_log_rank

Rows = Callable[[str], pl.DataFrame]
Results = Callable[[str], Any]
Strata = dict[str, dict[str, pl.DataFrame]]


def tables_of(data: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """One risk table a group, in the order of the groups' numbers."""
    spells = data.with_columns(events="event", censored=1 - pl.col("event"))
    parts = spells.sort("group", maintain_order=True).partition_by("group", as_dict=True, maintain_order=True)
    return {str(group): risk_table(part) for (group,), part in parts.items()}


def strata_of(data: pl.DataFrame) -> Strata:
    """The same within each stratum."""
    parts = data.partition_by("stratum", as_dict=True, maintain_order=True)
    return {str(stratum): tables_of(part) for (stratum,), part in parts.items()}


def as_scores(tables: Mapping[str, object]) -> dict[str, float]:
    """The groups' own numbers as scores."""
    return {group: float(group) for group in tables}


@pytest.mark.parametrize("name", ["lung", "colon", "mgus", "remission"])
def test_other_software_r_survdiff(name: str, reference_rows: Rows, reference_results: Results) -> None:
    """Other software: R survdiff, plain and stratified, and the trend from its excesses; months make heavy ties."""
    expected = reference_results("log_rank")[name]
    data = reference_rows(f"grouped_{name}")
    tables, strata = tables_of(data), strata_of(data)
    for ours, trend, theirs in (
        (log_rank(tables), log_rank(tables, scores=as_scores(tables)), expected["plain"]),
        (stratified_log_rank(strata), stratified_log_rank(strata, scores=as_scores(tables)), expected["stratified"]),
    ):
        assert list(ours.observed) == theirs["observed"]
        np.testing.assert_allclose(ours.expected, theirs["expected"], rtol=1e-10)
        assert ours.statistic == pytest.approx(theirs["statistic"], rel=1e-8)
        assert ours.degrees_of_freedom == len(tables) - 1
        assert ours.p_value == pytest.approx(float(chi2.sf(theirs["statistic"], len(tables) - 1)), rel=1e-6)
        assert trend.statistic == pytest.approx(theirs["trend"], rel=1e-8)
        assert trend.degrees_of_freedom == 1


@pytest.mark.parametrize("name", ["myeloma", "myeloma_no_ties"])
def test_delayed_entry_other_software_r(name: str, reference_rows: Rows, reference_results: Results) -> None:
    """Other software: R mantelhaen.test over one table a day; without ties also the score test of coxph."""
    expected = reference_results("log_rank")[name]
    data = reference_rows(f"grouped_{name}")
    assert (data["entry_day"] > 0).any()
    tables, strata = tables_of(data), strata_of(data)
    assert log_rank(tables).statistic == pytest.approx(expected["plain"], rel=1e-8)
    assert stratified_log_rank(strata).statistic == pytest.approx(expected["stratified"], rel=1e-8)
    if score := expected["score"]:
        assert log_rank(tables).statistic == pytest.approx(score["statistic"], rel=1e-8)
        assert stratified_log_rank(strata).statistic == pytest.approx(score["stratified"], rel=1e-8)
        trend = log_rank(tables, scores=as_scores(tables))
        assert trend.statistic == pytest.approx(score["trend"], rel=1e-8)
        within = stratified_log_rank(strata, scores=as_scores(tables))
        assert within.statistic == pytest.approx(score["trend_stratified"], rel=1e-8)


@pytest.mark.parametrize("name", ["lung", "colon", "mgus", "remission"])
def test_other_software_lifelines(name: str, reference_rows: Rows) -> None:
    """Other software: lifelines multivariate_logrank_test."""
    from lifelines.statistics import multivariate_logrank_test

    data = reference_rows(f"grouped_{name}")
    theirs = multivariate_logrank_test(data["exit_day"].to_numpy(), data["group"].to_numpy(), data["event"].to_numpy())
    ours = log_rank(tables_of(data))
    assert ours.statistic == pytest.approx(theirs.test_statistic, rel=1e-8)
    assert ours.p_value == pytest.approx(theirs.p_value, rel=1e-6)


def test_freireich_1963_remission(reference_rows: Rows) -> None:
    """Recalled: 6-MP against placebo, 9 of 19.25 and 21 of 10.75 relapses expected, chi-square 16.79.

    Data published: Freireich et al. 1963, Blood 21:699-716; the test on them: Kleinbaum & Klein 2012, Survival
    Analysis, 3rd ed., chapter 2.
    """
    result = log_rank(tables_of(reference_rows("grouped_remission")))
    assert result.observed == (21, 9)
    assert result.expected == pytest.approx((10.75, 19.25), abs=0.005)
    assert result.statistic == pytest.approx(16.79, abs=0.005)


def spells(*rows: tuple[int, int, int]) -> pl.DataFrame:
    """A risk table from (exit day, events, censored)."""
    return risk_table(pl.DataFrame(rows, schema=["exit_day", "events", "censored"], orient="row"))


def test_by_hand() -> None:
    """By hand: a leaves with events on 1 and 2, b is lost on 1 and has its event on 2.

    Day 1: 4 at risk, 2 of a, expected 1/2, variance 1/4. Day 2: 1 of a among 2, both have it: 1, no variance.
    Observed of a: 2, expected 1.5; statistic 0.5 ** 2 / 0.25 = 1.
    """
    result = log_rank({"a": spells((1, 1, 0), (2, 1, 0)), "b": spells((1, 0, 1), (2, 1, 0))})
    assert (result.observed, result.expected) == ((2, 1), (1.5, 1.5))
    assert result.statistic == pytest.approx(1.0)
    assert result.p_value == pytest.approx(0.317310507863)


def test_without_events_or_a_second_group_there_is_no_statistic() -> None:
    nobody = pl.DataFrame(schema=dict.fromkeys(["exit_day", "events", "censored"], pl.Int64))
    cases: list[tuple[dict[str, pl.DataFrame], str]] = [
        ({}, "no_events"),
        ({"a": spells((5, 0, 3)), "b": spells((4, 0, 3))}, "no_events"),
        ({"a": spells((5, 2, 3))}, "one_group"),
        ({"a": spells((5, 2, 3)), "b": risk_table(nobody)}, "one_group"),
        # b has left before a has its events
        ({"a": spells((5, 2, 3)), "b": spells((4, 0, 3))}, "one_group"),
        # one person of each, both with the event on one day: nothing was drawn
        ({"a": spells((5, 1, 0)), "b": spells((5, 1, 0))}, "one_group"),
    ]
    for tables, reason in cases:
        result = log_rank(tables)
        assert (result.statistic, result.p_value, result.degrees_of_freedom) == (None, None, 0)
        assert result.reason == reason
    equal = log_rank({"a": spells((5, 2, 3)), "b": spells((6, 2, 3))}, scores={"a": 3, "b": 3})
    assert (equal.statistic, equal.reason) == (None, "one_group")


def test_a_group_with_nobody_changes_nothing(reference_rows: Rows) -> None:
    tables = tables_of(reference_rows("grouped_lung"))
    nobody = pl.DataFrame(schema=dict.fromkeys(["exit_day", "events", "censored"], pl.Int64))
    with_nobody = log_rank({"nobody": risk_table(nobody), **tables})
    without = log_rank(tables)
    assert with_nobody.statistic == pytest.approx(without.statistic, rel=1e-12)
    assert with_nobody.degrees_of_freedom == without.degrees_of_freedom
    assert (with_nobody.observed[0], with_nobody.expected[0]) == (0, 0.0)


def test_groups_that_meet_only_in_pairs_have_fewer_degrees_of_freedom() -> None:
    """By hand: a and b in one stratum, c and d in another: two comparisons, not three."""
    one = {"a": spells((2, 3, 4), (5, 1, 0)), "b": spells((3, 1, 4), (6, 2, 3))}
    two = {"c": spells((2, 1, 4), (7, 1, 0)), "d": spells((3, 2, 4), (6, 1, 3))}
    both = stratified_log_rank({"one": one, "two": two})
    assert both.degrees_of_freedom == 2
    apart = (log_rank(one).statistic or 0) + (log_rank(two).statistic or 0)
    assert both.statistic == pytest.approx(apart)


def test_very_unequal_groups() -> None:
    """By hand: a million and ten against each other; then the large group split in two alike halves."""
    small, large = spells((3, 2, 0), (9, 1, 7)), spells((3, 10**5, 0), (9, 10**5, 8 * 10**5))
    half = spells((3, 5 * 10**4, 0), (9, 5 * 10**4, 4 * 10**5))
    two, three = log_rank({"small": small, "large": large}), log_rank({"small": small, "one": half, "two": half})
    assert three.degrees_of_freedom == 2
    assert three.statistic == pytest.approx(two.statistic, rel=1e-6)


def test_faults_are_named() -> None:
    tables = {"a": spells((5, 2, 3)), "b": spells((6, 2, 3))}
    with pytest.raises(CountsError, match="scores: expected one number for each of a, b"):
        log_rank(tables, scores={"a": 1.0})
    with pytest.raises(CountsError, match="scores"):
        log_rank(tables, scores={"a": 1.0, "b": float("nan")})
    with pytest.raises(CountsError, match="day 5: more events"):
        log_rank({"a": tables["a"].with_columns(events=pl.lit(9)), "b": tables["b"]})


# entry, length of stay, group, event
GROUPED = st.lists(
    st.tuples(st.integers(0, 5), st.integers(1, 8), st.integers(0, 3), st.integers(0, 1)), min_size=1, max_size=25
)


def as_tables(people: list[tuple[int, int, int, int]]) -> dict[str, pl.DataFrame]:
    rows = [(group, entry, entry + stay, event) for entry, stay, group, event in people]
    return tables_of(pl.DataFrame(rows, schema=["group", "entry_day", "exit_day", "event"], orient="row"))


def same(one: GroupComparison, other: GroupComparison) -> None:
    assert (one.degrees_of_freedom, one.reason) == (other.degrees_of_freedom, other.reason)
    if one.statistic is not None:
        assert one.statistic == pytest.approx(other.statistic, rel=1e-6, abs=1e-9)


@given(GROUPED)
def test_expected_events_are_as_many_as_observed(people: list[tuple[int, int, int, int]]) -> None:
    tables = as_tables(people)
    result = log_rank(tables)
    assert sum(result.expected) == pytest.approx(sum(result.observed), abs=1e-9)
    assert (result.statistic is None) == (result.reason is not None)
    if result.statistic is not None:
        assert result.statistic >= 0
        assert result.p_value is not None
        assert 0 <= result.p_value <= 1
    same(log_rank(dict(reversed(tables.items()))), result)
    same(stratified_log_rank({"all": tables, "copy": {}}), result)


@given(GROUPED, st.floats(-5, 5), st.floats(0.1, 10))
def test_only_distances_between_scores_matter(people: list[tuple[int, int, int, int]], by: float, times: float) -> None:
    tables = as_tables(people)
    plain = log_rank(tables, scores=as_scores(tables))
    same(log_rank(tables, scores={group: by + times * float(group) for group in tables}), plain)
    if len(tables) == 2:
        same(plain, log_rank(tables))
