"""Turnbull's estimate against other software, a published example, by hand, and what must hold of any of them."""

from collections.abc import Callable
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.estimators import CountsError, TurnbullCurve, never_ended_bound, presence_at, turnbull
from pipelines.estimators.interval_censored import TOLERANCE, turnbull_of
from pipelines.estimators.intervals import NOT_ENDED, checked_intervals

Rows = Callable[[str], pl.DataFrame]
Row = tuple[int, int | None, int]
SCHEMA = dict.fromkeys(["left_day", "right_day", "n"], pl.Int64)


def table(*rows: Row) -> pl.DataFrame:
    return pl.DataFrame(rows, schema=SCHEMA, orient="row")


def intervals_of(data: pl.DataFrame, group: int | None = None) -> pl.DataFrame:
    """A reference data set, one row a person, as the estimators take it."""
    chosen = data if group is None else data.filter(pl.col("group") == group)
    return chosen.select(left_day="left", right_day="right", n=pl.lit(1, dtype=pl.Int64))


def masses(curve: TurnbullCurve) -> dict[tuple[int, int], float]:
    """Masses above 0 by interval, to four decimals."""
    parts = zip(curve.left.tolist(), curve.right.tolist(), curve.mass.tolist(), strict=True)
    return {(left, right): round(mass, 4) for left, right, mass in parts if mass > 5e-5}


def test_finkelstein_wolfe_1985_breast_cosmesis(reference_rows: Rows) -> None:
    """Recalled: masses as Fay & Shaw 2010, J Stat Softw 36(2), print them for radiotherapy alone and with chemotherapy.

    Data published: Finkelstein & Wolfe 1985, Biometrics 41:933-945. Four decimals.
    """
    data = reference_rows("intervals_cosmesis")
    alone = turnbull(intervals_of(data, 1))
    assert masses(alone) == {
        (4, 5): 0.0463,
        (6, 7): 0.0334,
        (7, 8): 0.0887,
        (11, 12): 0.0708,
        (24, 25): 0.0926,
        (33, 34): 0.0818,
        (38, 40): 0.1209,
        (46, 48): 0.4656,
    }
    with_chemotherapy = turnbull(intervals_of(data, 2))
    assert masses(with_chemotherapy) == {
        (4, 5): 0.0433,
        (5, 8): 0.0433,
        (11, 12): 0.0692,
        (16, 17): 0.1454,
        (18, 19): 0.1411,
        (19, 20): 0.1157,
        (24, 25): 0.0999,
        (30, 31): 0.0709,
        (35, 36): 0.1608,
        (44, 48): 0.0552,
        (48, 60): 0.0552,
    }


@pytest.mark.parametrize("name", ["cosmesis", "days", "weeks"])
@pytest.mark.parametrize("group", [None, 1, 2])
def test_other_software_r_survfit(
    name: str, group: int | None, reference_rows: Rows, reference_results: Callable[[str], Any]
) -> None:
    """Other software: R survfit with interval2 data, see tests/reference/interval_censored.R.

    R stops early: its log-likelihood may not be higher than ours, and its values lie only near: the largest distance
    seen is 0.0381, on days; the plain EM below is the stricter check.
    """
    part = "turnbull" if group is None else f"turnbull_group_{group}"
    theirs = reference_results("interval_censored")[name][part]
    time, survival = np.array(theirs["time"]), np.array(theirs["survival"])
    curve = turnbull(intervals_of(reference_rows(f"intervals_{name}"), group))
    intervals = curve.intervals
    steps = np.concatenate([[1.0], survival])
    # R puts each mass in the middle of its interval, or on the left end of one without a right end
    open_end = intervals.right == NOT_ENDED
    at_left = steps[np.searchsorted(time, intervals.left, side="left")]
    at_right = np.where(open_end, 0.0, steps[np.searchsorted(time, intervals.right, side="right")])
    their_log_likelihood = float(intervals.count @ np.log(at_left - at_right))
    assert curve.log_likelihood >= their_log_likelihood - 1e-9
    assert curve.log_likelihood - their_log_likelihood < 0.2
    assert curve.gap <= TOLERANCE
    days = np.unique(np.concatenate([intervals.left, intervals.right[~open_end]]))
    least, most = curve.bounds(days)
    known = np.isclose(least, most, atol=1e-9) & (days < days.max())
    read = steps[np.searchsorted(time, days, side="right")]
    np.testing.assert_allclose(read[known], most[known], atol=0.039)


@pytest.mark.parametrize("name", ["cosmesis", "days", "weeks"])
def test_other_software_plain_em_run_for_long(
    name: str, reference_rows: Rows, reference_results: Callable[[str], Any]
) -> None:
    """Other software: Turnbull's algorithm in a few lines of R, iterated until nothing moves."""
    theirs = reference_results("interval_censored")[name]["plain_em"]
    curve = turnbull(intervals_of(reference_rows(f"intervals_{name}")))
    assert curve.log_likelihood >= theirs["log_likelihood"] - 1e-9
    assert curve.log_likelihood == pytest.approx(theirs["log_likelihood"], abs=1e-4)
    least, most = curve.bounds(np.array(theirs["day"]))
    known = np.isclose(least, most, atol=1e-9)
    assert known.sum() > 20
    np.testing.assert_allclose(np.array(theirs["survival"])[known], most[known], atol=1e-4)


def test_by_hand_one_cut() -> None:
    """By hand: 3 of 4 gone at the look on day 10, 1 still present and then lost: S(10) = 1/4, nothing else is known."""
    curve = turnbull(table((0, 10, 3), (10, None, 1)))
    assert masses(curve) == {(0, 10): 0.75, (10, NOT_ENDED): 0.25}
    before, on, after = presence_at(curve, [9, 10, 11])
    assert (before.least, before.most) == pytest.approx((0.25, 1.0))
    assert (on.least, on.most) == pytest.approx((0.25, 0.25))
    assert (on.ended, on.followed, on.lost) == (3, 1, 0)
    assert after.beyond_follow_up
    assert (after.least, after.most, after.lost) == (None, None, 1)
    assert curve.log_likelihood == pytest.approx(3 * np.log(0.75) + np.log(0.25))


def test_by_hand_overlapping_intervals() -> None:
    """By hand: (0, 7] twice, (0, 14] and (7, 14] once. With p on (0, 7] and 1 - p on (7, 14] the likelihood is
    p^2 (1 - p), highest at p = 2/3; the wide one tells nothing."""
    curve = turnbull(table((0, 7, 2), (0, 14, 1), (7, 14, 1)))
    assert curve.mass == pytest.approx([2 / 3, 1 / 3], abs=1e-9)
    assert curve.log_likelihood == pytest.approx(2 * np.log(2 / 3) + np.log(1 / 3))


def test_by_hand_current_status() -> None:
    """By hand: one look each. Gone at 10: 1 of 2; at 20: 1 of 4; at 30: 3 of 3.

    The maximum is the isotonic regression of 1/2, 1/4, 1 with weights 2, 4, 3: 1/3, 1/3, 1 (Ayer et al. 1955, Ann
    Math Stat 26:641-647).
    """
    curve = turnbull(table((0, 10, 1), (10, None, 1), (0, 20, 1), (20, None, 3), (0, 30, 3)))
    assert [r.most for r in presence_at(curve, [10, 20, 30])] == pytest.approx([2 / 3, 2 / 3, 0.0], abs=1e-8)


def test_exact_days_give_the_share_itself() -> None:
    """By hand: ends known to the day and nobody lost: the empirical share, here 3/5 after day 4."""
    curve = turnbull(table((1, 2, 1), (3, 4, 1), (5, 6, 2), (8, 9, 1)))
    assert [r.most for r in presence_at(curve, [1, 4, 7, 9])] == pytest.approx([1.0, 0.6, 0.2, 0.0])


def test_intervals_that_only_touch_have_no_day_in_common() -> None:
    curve = turnbull(table((0, 7, 1), (7, 14, 1)))
    assert list(zip(curve.left.tolist(), curve.right.tolist(), strict=True)) == [(0, 7), (7, 14)]


def test_nobody() -> None:
    for nobody in (table(), table((0, 7, 0))):
        curve = turnbull(nobody)
        assert curve.mass.size == 0
        (read,) = presence_at(curve, [7])
        assert (read.most, read.ended, read.followed, read.lost) == (None, 0, 0, 0)
        assert never_ended_bound(curve) is None


def test_the_share_that_never_ends_is_bounded_where_enough_are_followed() -> None:
    """By hand: 8 gone at day 7; of two still followed then one is gone at day 700; one was lost on day 7.

    S(7) = 3/11 for the floor of 3; S(700) = half of that: it rests on two.
    """
    curve = turnbull(table((0, 7, 8), (7, 700, 1), (700, None, 1), (7, None, 1)))
    assert never_ended_bound(curve, 3) == presence_at(curve, [7])[0]
    bound = never_ended_bound(curve, 2)
    assert bound is not None
    assert (bound.at_days, bound.followed) == (700, 1)
    assert bound.most == pytest.approx(3 / 22, abs=1e-8)
    assert never_ended_bound(curve, 12) is None


def test_faults_are_named() -> None:
    with pytest.raises(CountsError, match="day 7: an interval must end after it begins"):
        turnbull(table((0, 7, 1), (7, 7, 1)))
    with pytest.raises(CountsError, match="day -1: left_day is negative"):
        turnbull(table((-1, 7, 1)))
    with pytest.raises(CountsError, match="n is negative"):
        turnbull(table((0, 7, -1)))
    with pytest.raises(CountsError, match="missing column n"):
        turnbull(table((0, 7, 1)).drop("n"))
    with pytest.raises(CountsError, match="column left_day: a value is missing"):
        turnbull(table((0, 7, 1)).with_columns(left_day=pl.Series([None], dtype=pl.Int64)))
    with pytest.raises(CountsError, match="column right_day: a value is missing or not a whole number"):
        turnbull(table((0, 7, 1)).with_columns(right_day=pl.Series([7.5])))
    with pytest.raises(CountsError, match="column n: expected whole numbers"):
        turnbull(table((0, 7, 1)).with_columns(n=pl.Series(["1"])))
    with pytest.raises(CountsError, match="right_day is too large"):
        turnbull(table((0, NOT_ENDED, 1)))


# left, length (0: not seen to end), count
PEOPLE = st.lists(st.tuples(st.integers(0, 12), st.integers(0, 9), st.integers(1, 5)), min_size=1, max_size=25)


def as_rows(people: list[tuple[int, int, int]]) -> list[Row]:
    return [(left, left + length if length else None, count) for left, length, count in people]


@given(PEOPLE)
def test_what_holds_of_every_estimate(people: list[tuple[int, int, int]]) -> None:
    """It falls, its masses add up to one, it is the maximum (Kuhn-Tucker), and the bounds are in order."""
    curve = turnbull(table(*as_rows(people)))
    assert curve.mass.sum() == pytest.approx(1.0)
    assert (curve.mass >= 0).all()
    least, most = curve.bounds(np.arange(30))
    assert (least <= most + 1e-12).all()
    assert (np.diff(least) <= 1e-12).all()
    assert (np.diff(most) <= 1e-12).all()
    # Kuhn-Tucker, worked out anew from whole rows: no mass elsewhere would raise the likelihood
    rows = [(left, right or NOT_ENDED, count) for left, right, count in as_rows(people)]
    expected = np.zeros(curve.mass.size)
    log_likelihood = 0.0
    for left, right, count in rows:
        inside = (curve.left >= left) & (curve.right <= right)
        expected += count * inside / curve.mass[inside].sum()
        log_likelihood += count * np.log(curve.mass[inside].sum())
    expected /= sum(count for _, _, count in rows)
    assert expected.max() <= 1 + 1e-8
    assert (curve.mass * (1 - expected)).max() <= 1e-8
    assert curve.log_likelihood == pytest.approx(log_likelihood)


@given(PEOPLE, PEOPLE)
def test_where_it_starts_from_does_not_matter(
    people: list[tuple[int, int, int]], others: list[tuple[int, int, int]]
) -> None:
    """From the curve of other people, with masses of 0 where these have some, the same likelihood is reached."""
    intervals = checked_intervals(table(*as_rows(people)))
    afresh, continued = turnbull_of(intervals), turnbull_of(intervals, near=turnbull(table(*as_rows(others))))
    assert continued.left.tolist() == afresh.left.tolist()
    assert continued.gap <= TOLERANCE
    assert continued.log_likelihood == pytest.approx(afresh.log_likelihood, rel=1e-8, abs=1e-8)


@given(PEOPLE, st.randoms(use_true_random=False))
def test_order_and_repeated_rows_do_not_matter(people: list[tuple[int, int, int]], random: Any) -> None:
    counted = as_rows(people)
    repeated = [(left, right, 1) for left, right, count in counted for _ in range(count)]
    random.shuffle(repeated)
    one, other = turnbull(table(*counted)), turnbull(table(*repeated))
    assert one.left.tolist() == other.left.tolist()
    np.testing.assert_allclose(one.mass, other.mass, atol=1e-9)


@given(PEOPLE)
def test_more_of_the_same_changes_nothing(people: list[tuple[int, int, int]]) -> None:
    one = turnbull(table(*as_rows(people)))
    many = turnbull(table(*((left, right, 1000 * count) for left, right, count in as_rows(people))))
    np.testing.assert_allclose(one.mass, many.mass, atol=1e-7)


@given(st.lists(st.tuples(st.integers(1, 9), st.integers(0, 1), st.integers(1, 5)), min_size=1, max_size=15))
def test_without_wide_intervals_it_is_kaplan_meier(people: list[tuple[int, int, int]]) -> None:
    """Ends known to the day, or right-censored: the product limit, our own, held against other software elsewhere."""
    from pipelines.estimators import product_limit, risk_table

    spells = pl.DataFrame(people, schema=["exit_day", "event", "n"], orient="row").select(
        "exit_day", events=pl.col("event") * pl.col("n"), censored=(1 - pl.col("event")) * pl.col("n")
    )
    limit = product_limit(risk_table(spells))
    curve = turnbull(table(*((day - 1, day, n) if event else (day, None, n) for day, event, n in people)))
    _, most = curve.bounds(limit.day)
    np.testing.assert_allclose(most, limit.survival, atol=1e-7)


def test_counts_that_differ_by_nine_orders_of_magnitude_end_where_rounding_does() -> None:
    """Masses down to 1e-10: the gap cannot reach TOLERANCE, but the steps end, close to the maximum."""
    rng = np.random.default_rng(137)
    left, length = rng.integers(0, 400, 150), rng.integers(1, 40, 150)
    count = np.exp(rng.normal(0, 6, 150)).astype(np.int64) + 1
    assert count.max() > 10**9
    curve = turnbull(table(*zip(left.tolist(), (left + length).tolist(), count.tolist(), strict=True)))
    assert curve.gap < 1e-6
    assert curve.iterations < 5_000
