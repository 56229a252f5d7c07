"""Log-rank for interval-censored durations against a published example, by hand, and its size by simulation."""

import math
from collections.abc import Callable

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.estimators import CountsError, clustered_interval_log_rank, interval_log_rank

Rows = Callable[[str], pl.DataFrame]
SCHEMA = dict.fromkeys(["left_day", "right_day", "n"], pl.Int64)


def table(*rows: tuple[int, int | None, int]) -> pl.DataFrame:
    return pl.DataFrame(rows, schema=SCHEMA, orient="row")


def groups_of(data: pl.DataFrame) -> dict[str, pl.DataFrame]:
    parts = data.sort("group", maintain_order=True).partition_by("group", as_dict=True, maintain_order=True)
    return {
        str(group): part.select(left_day="left", right_day="right", n=pl.lit(1, dtype=pl.Int64))
        for (group,), part in parts.items()
    }


def each_a_patient(tables: dict[str, pl.DataFrame]) -> pl.DataFrame:
    """Every interval as a pattern of its own."""
    rows = pl.concat([rows.with_columns(group=pl.lit(name)) for name, rows in tables.items()])
    return rows.with_row_index("pattern").with_columns(pl.col("pattern").cast(pl.Int64), sessions=pl.lit(1))


def test_fay_shaw_2010_breast_cosmesis(reference_rows: Rows) -> None:
    """Recalled: Fay & Shaw 2010, J Stat Softw 36(2), Sun's scores in permutation form: Z = -2.6684, p = 0.007622,
    observed less expected -9.141846 and 9.141846 in 46 and 48 women.

    Data published: Finkelstein & Wolfe 1985, Biometrics 41:933-945.
    """
    result = interval_log_rank(groups_of(reference_rows("intervals_cosmesis")))
    assert result.statistic is not None
    assert math.sqrt(result.statistic) == pytest.approx(2.6684, abs=0.00005)
    assert result.p_value == pytest.approx(0.007622, abs=0.0000005)
    excess = [seen - expected for seen, expected in zip(result.observed, result.expected, strict=True)]
    assert excess == pytest.approx([-9.141846, 9.141846], abs=0.0000005)
    assert result.observed == (21, 35)


def test_by_hand() -> None:
    """By hand: one look on day 10; gone in 3 of 4 of a and 1 of 4 of b.

    Of all, half on (0, 10]: H = 1/2 there and 3/2 past it; scores 1/2 and -1/2. Excess of a: 3/2 - 1/2 = 1. Variance:
    8 x 1/4 / 7 x 8 x 1/4 = 4/7. Statistic 7/4.
    """
    result = interval_log_rank({"a": table((0, 10, 3), (10, None, 1)), "b": table((0, 10, 1), (10, None, 3))})
    assert result.observed == (3, 1)
    assert result.expected == pytest.approx((2.0, 2.0), abs=1e-6)
    assert result.statistic == pytest.approx(7 / 4, abs=1e-6)
    assert result.degrees_of_freedom == 1


def test_by_hand_clusters() -> None:
    """By hand: as above, but each of two patients of a has two intervals alike; those of b one each.

    a: one patient gone twice, one gone once and once not; scores 1, 0. b: 1/2, -1/2, -1/2, -1/2. The share of each
    group is 1/2, so a patient's own part is half its score in its own group: squares 1/4, 0 and four times 1/16; their
    sum 1/2, times 6/5: 3/5. The excess of a is 1, the statistic 5/3.
    """
    rows = [
        (0, "a", 0, 10, 1, 2),
        (1, "a", 0, 10, 1, 1),
        (1, "a", 10, None, 1, 1),
        (2, "b", 0, 10, 1, 1),
        (3, "b", 10, None, 3, 1),
    ]
    columns = ["pattern", "group", "left_day", "right_day", "n", "sessions"]
    patients = pl.DataFrame(rows, schema=columns, orient="row")
    result = clustered_interval_log_rank(patients)
    assert result.groups == ("a", "b")
    assert result.observed == (3, 1)
    assert result.statistic == pytest.approx(5 / 3, abs=1e-6)


def test_without_ends_or_a_second_group_there_is_no_statistic() -> None:
    lost, some = table((7, None, 5)), table((0, 7, 2), (7, None, 3))
    for tables in ({}, {"a": lost, "b": lost}, {"a": some}, {"a": some, "b": table()}):
        result = interval_log_rank(tables)
        assert (result.statistic, result.p_value) == (None, None)


def test_faults_are_named() -> None:
    some = table((0, 7, 2), (7, None, 3))
    with pytest.raises(CountsError, match="scores: expected one number for each of a, b"):
        interval_log_rank({"a": some, "b": some}, scores={"a": 1.0})
    patients = each_a_patient({"a": some, "b": some})
    with pytest.raises(CountsError, match="one pattern give two numbers of patients"):
        clustered_interval_log_rank(patients.with_columns(pattern=pl.lit(0)))


def test_trend_over_ordered_groups_uses_one_degree_of_freedom() -> None:
    tables = {"low": table((0, 7, 6), (7, None, 2)), "mid": table((0, 7, 4), (7, None, 4)), "high": table((7, None, 8))}
    trend = interval_log_rank(tables, scores={"low": 0, "mid": 1, "high": 2})
    plain = interval_log_rank(tables)
    assert (trend.degrees_of_freedom, plain.degrees_of_freedom) == (1, 2)
    assert trend.statistic is not None
    assert plain.statistic is not None
    assert 0 < trend.statistic <= plain.statistic + 1e-9


PEOPLE = st.lists(
    st.tuples(st.integers(0, 9), st.integers(0, 6), st.integers(0, 2), st.integers(1, 3)), min_size=2, max_size=20
)


def as_tables(people: list[tuple[int, int, int, int]]) -> dict[str, pl.DataFrame]:
    groups: dict[str, list[tuple[int, int | None, int]]] = {}
    for left, length, group, count in people:
        groups.setdefault(str(group), []).append((left, left + length if length else None, count))
    return {name: table(*rows) for name, rows in sorted(groups.items())}


@given(PEOPLE)
def test_excesses_add_up_to_nothing_and_names_do_not_matter(people: list[tuple[int, int, int, int]]) -> None:
    tables = as_tables(people)
    result = interval_log_rank(tables)
    assert sum(result.expected) == pytest.approx(sum(result.observed), abs=1e-5)
    turned = interval_log_rank(dict(reversed(tables.items())))
    assert turned.degrees_of_freedom == result.degrees_of_freedom
    if result.statistic is not None:
        assert result.statistic >= 0
        assert turned.statistic == pytest.approx(result.statistic, rel=1e-6, abs=1e-8)


@given(PEOPLE)
def test_splitting_rows_does_not_matter(people: list[tuple[int, int, int, int]]) -> None:
    whole = interval_log_rank(as_tables(people))
    single = [(left, length, group, 1) for left, length, group, count in people for _ in range(count)]
    split = interval_log_rank(as_tables(single))
    assert split.degrees_of_freedom == whole.degrees_of_freedom
    if whole.statistic is not None:
        assert split.statistic == pytest.approx(whole.statistic, rel=1e-6, abs=1e-8)


def visits(rng: np.random.Generator, people: int, factor: float = 1.0) -> pl.DataFrame:
    """Log-normal durations seen at four visits on a weekly grid, each missed by three in ten."""
    ends = np.ceil(np.exp(rng.normal(np.log(100 * factor), 0.9, people)))
    looks = np.array([14, 91, 182, 364]) + 7 * np.rint(rng.normal(0, [0.5, 1.5, 2, 3], (people, 4)))
    seen = rng.random((people, 4)) < 0.7
    left = np.where(seen & (looks < ends[:, None]), looks, 0).max(axis=1)
    right = np.where(seen & (looks >= ends[:, None]), looks, np.inf).min(axis=1)
    return pl.DataFrame({"left_day": left, "right_day": right, "n": np.ones(people)}).with_columns(
        pl.col("left_day").cast(pl.Int64),
        pl.when(pl.col("right_day").is_finite()).then(pl.col("right_day")).cast(pl.Int64).alias("right_day"),
        pl.col("n").cast(pl.Int64),
    )


@pytest.mark.slow
def test_size_and_power() -> None:
    """Simulation: 80 people in each of two groups; 400 samples without a difference, 100 where one lasts 1.6 times.

    With alpha 5 % both forms reject within three Monte Carlo errors of 5 %; with the difference both mostly see it.
    """
    rng, samples = np.random.default_rng(20261202), 400
    plain, clustered = np.empty(samples), np.empty(samples)
    for sample in range(samples):
        tables = {"a": visits(rng, 80), "b": visits(rng, 80)}
        plain[sample] = interval_log_rank(tables).p_value or 1.0
        clustered[sample] = clustered_interval_log_rank(each_a_patient(tables)).p_value or 1.0
    three_errors = 3 * math.sqrt(0.05 * 0.95 / samples)
    assert (plain < 0.05).mean() == pytest.approx(0.05, abs=three_errors)
    assert (clustered < 0.05).mean() == pytest.approx(0.05, abs=three_errors)
    found = [
        (interval_log_rank({"a": visits(rng, 80), "b": visits(rng, 80, 1.6)}).p_value or 1.0) < 0.05 for _ in range(100)
    ]
    assert np.mean(found) > 0.7


@pytest.mark.slow
def test_size_where_patients_give_three_intervals_alike() -> None:
    """Simulation: three intervals of each patient are the same. Clustered, the size is right; else it is far off."""
    rng, samples = np.random.default_rng(20261203), 300
    as_one, as_three = np.empty(samples), np.empty(samples)
    for sample in range(samples):
        tables = {"a": visits(rng, 80), "b": visits(rng, 80)}
        patients = each_a_patient(tables).with_columns(sessions=pl.lit(3))
        as_one[sample] = clustered_interval_log_rank(patients).p_value or 1.0
        tripled = {name: rows.with_columns(n=3 * pl.col("n")) for name, rows in tables.items()}
        as_three[sample] = interval_log_rank(tripled).p_value or 1.0
    assert (as_one < 0.05).mean() == pytest.approx(0.05, abs=3 * math.sqrt(0.05 * 0.95 / samples))
    assert (as_three < 0.05).mean() > 0.15
