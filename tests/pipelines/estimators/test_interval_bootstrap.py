"""Limits by drawing patients anew: by hand, what they must keep to, and how often they hold a known truth."""

import itertools
import math
from statistics import NormalDist

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.estimators import CountsError, PresenceLimits, clopper_pearson, presence_with_limits, wilson
from pipelines.estimators.interval_patients import checked_patients

SCHEMA = dict.fromkeys(["pattern", "n", "left_day", "right_day", "sessions"], pl.Int64)
Row = tuple[int, int, int, int | None, int]


def patients(*rows: Row) -> pl.DataFrame:
    return pl.DataFrame(rows, schema=SCHEMA, orient="row")


def limits(reading: PresenceLimits) -> tuple[float, float]:
    assert reading.lower is not None
    assert reading.upper is not None
    return reading.lower, reading.upper


def test_by_hand_one_look() -> None:
    """By hand: one look on day 14 of 100 patients, present in 30. Draws are binomial: quantiles of Bin(100, 0.3) / 100,
    0.21 and 0.39, within one hundredth for 2,000 draws."""
    found = presence_with_limits(patients((0, 70, 0, 14, 1), (1, 30, 14, None, 1)), [14], replicates=2000)
    (reading,) = found.readings
    assert reading.presence.most == pytest.approx(0.3)
    assert limits(reading) == pytest.approx((0.21, 0.39), abs=0.0101)
    assert reading.limits_by == "bootstrap"
    assert found.patients == 100


def test_limits_are_never_inside_those_of_wilson() -> None:
    """By hand: of binomial draws the effective number is the number itself, here 2 of 100; Wilson's limits are wider
    above, and the quantile, 0, below."""
    (reading,) = presence_with_limits(patients((0, 98, 0, 14, 1), (1, 2, 14, None, 1)), [14], replicates=4000).readings
    lower, upper = limits(reading)
    assert lower == 0.0
    assert upper == pytest.approx(wilson(2, 100).upper, abs=0.002)


def test_by_hand_intervals_of_one_patient_count_once() -> None:
    """By hand: the same shares from 25 patients with four sessions each, alike: quantiles of Bin(25, 0.3) / 25."""
    alike = patients((0, 18, 0, 14, 4), (1, 7, 14, None, 4))
    (clustered,) = presence_with_limits(alike, [14], replicates=2000).readings
    assert clustered.presence.most == pytest.approx(0.28)
    assert limits(clustered) == pytest.approx((0.12, 0.48), abs=0.0401)
    (apart,) = presence_with_limits(patients((0, 72, 0, 14, 1), (1, 28, 14, None, 1)), [14], replicates=2000).readings
    assert limits(apart)[1] - limits(apart)[0] < 0.6 * (limits(clustered)[1] - limits(clustered)[0])


def test_where_no_draw_can_differ_the_limit_is_the_exact_one() -> None:
    """By hand: all 12 gone by day 14, and none of them on day 7: Clopper-Pearson limits of 0 and 12 of 12."""
    before, after = presence_with_limits(patients((0, 12, 7, 14, 1)), [7, 14]).readings
    assert limits(before) == (pytest.approx(clopper_pearson(12, 12).lower), 1.0)
    assert limits(after) == (0.0, pytest.approx(clopper_pearson(0, 12).upper))
    assert (before.limits_by, after.limits_by) == ("exact_none_ended", "exact_none_left")
    # three sessions of each of four patients are no more than four pieces of news
    _, clustered = presence_with_limits(patients((0, 4, 7, 14, 3)), [7, 14]).readings
    assert limits(clustered)[1] == pytest.approx(clopper_pearson(0, 4).upper)


def test_limits_enclose_both_bounds_where_the_day_lies_inside_an_interval() -> None:
    (reading,) = presence_with_limits(patients((0, 40, 7, 21, 1), (1, 40, 21, None, 1)), [14]).readings
    assert (reading.presence.least, reading.presence.most) == pytest.approx((0.5, 1.0))
    lower, upper = limits(reading)
    assert lower < 0.45
    assert upper == 1.0


def test_patients_are_drawn_with_replacement() -> None:
    """By hand: of 106 patients, drawn 106 times, one that is alone comes up once on average with a variance of
    1 - 1/106, and those of a pattern of 100 come up 100 times with 100 (1 - 100/106); rare patterns or not."""
    table = patients((0, 1, 0, 7, 1), (1, 100, 7, 14, 1), (2, 5, 14, None, 2))
    draws = np.array(list(itertools.islice(checked_patients(table).drawn(np.random.default_rng(1)), 20_000)))
    assert (draws.sum(axis=1) == 106).all()
    n = np.array([1, 100, 5])
    variance = n * (1 - n / 106)
    assert draws.mean(axis=0) == pytest.approx(n, abs=4 * (variance.max() / 20_000) ** 0.5)
    assert draws.var(axis=0) == pytest.approx(variance, rel=0.05)
    assert np.corrcoef(draws[:, 0], draws[:, 2])[0, 1] == pytest.approx(-((1 / 105 * 5 / 101) ** 0.5), abs=0.03)


def test_nobody_one_patient_and_past_the_last_look() -> None:
    for rows in ([], [(0, 1, 0, 14, 2)]):
        found = presence_with_limits(patients(*rows), [14])
        assert (found.readings[0].lower, found.readings[0].upper) == (None, None)
        assert found.patients == len(rows)
    (past,) = presence_with_limits(patients((0, 5, 0, 14, 1), (1, 5, 14, None, 1)), [21]).readings
    assert past.presence.beyond_follow_up
    assert (past.lower, past.upper, past.limits_by) == (None, None, None)


def test_faults_are_named() -> None:
    with pytest.raises(CountsError, match="one pattern give two numbers of patients"):
        presence_with_limits(patients((0, 5, 0, 14, 1), (0, 4, 14, None, 1)), [14])
    with pytest.raises(CountsError, match="sessions: expected at least 1"):
        presence_with_limits(patients((0, 5, 0, 14, 0)), [14])
    with pytest.raises(CountsError, match="missing column pattern"):
        presence_with_limits(patients((0, 5, 0, 14, 1)).drop("pattern"), [14])
    with pytest.raises(ValueError, match=r"0\.95"):
        presence_with_limits(patients((0, 5, 0, 14, 1)), [14], level=95)
    with pytest.raises(ValueError, match="at least 100"):
        presence_with_limits(patients((0, 5, 0, 14, 1)), [14], replicates=99)


@settings(max_examples=20)
@given(st.lists(st.tuples(st.integers(1, 9), st.integers(0, 5), st.integers(0, 4)), min_size=1, max_size=8))
def test_limits_lie_around_the_estimate_and_row_order_does_not_matter(kinds: list[tuple[int, int, int]]) -> None:
    rows: list[Row] = [
        (pattern, n, 7 * left, 7 * (left + length) if length else None, 1)
        for pattern, (n, left, length) in enumerate(kinds)
    ]
    at_days = [0, 14, 28]
    found = presence_with_limits(patients(*rows), at_days, replicates=100)
    again = presence_with_limits(patients(*rows[::-1]), at_days, replicates=100)
    for one, other in zip(found.readings, again.readings, strict=True):
        assert one.lower == other.lower
        assert one.upper == other.upper
        if one.lower is not None:
            assert one.presence.least is not None
            assert one.presence.most is not None
            assert 0 <= one.lower <= one.presence.least + 1e-12
            assert one.presence.most <= limits(one)[1] + 1e-12 <= 1 + 1e-9


AT_DAYS = [91, 182, 364, 728]
NORMAL = NormalDist(math.log(105), 0.95)


def visits(rng: np.random.Generator, people: int, siblings: int = 1) -> pl.DataFrame:
    """Log-normal durations, 4 % none and 2 % for good, seen at six visits whose days are rounded to weeks.

    siblings: sessions of each patient, with durations alike but for their visits.
    """
    end = np.ceil(np.exp(rng.normal(NORMAL.mean, NORMAL.stdev, people)))
    kind = rng.random(people)
    end = np.where(kind < 0.04, 0, np.where(kind < 0.06, np.inf, end))
    left, right = np.empty((people, siblings)), np.empty((people, siblings))
    for sibling in range(siblings):
        due = np.array([8, 91, 182, 365, 730, 1095])
        day = due + np.rint(rng.normal(0, [1, 10, 12, 20, 30, 30], (people, 6)))
        day = np.maximum(day, 5)
        seen = rng.random((people, 6)) < [0.95, 0.7, 0.6, 0.6, 0.4, 0.3]
        week = 7 * np.floor(day / 7 + 0.5)
        left[:, sibling] = np.where(seen & (day < end[:, None]), week, 0).max(axis=1)
        gone = np.where(seen & (day >= end[:, None]), week, np.inf).min(axis=1)
        right[:, sibling] = np.maximum(gone, left[:, sibling] + 7)
    rows = pl.DataFrame({"pattern": np.repeat(np.arange(people), siblings), "left_day": left.ravel()}).with_columns(
        right_day=pl.Series(right.ravel()), n=pl.lit(1), sessions=pl.lit(1)
    )
    ended = pl.when(pl.col("right_day").is_finite()).then(pl.col("right_day")).cast(pl.Int64)
    return rows.with_columns(ended.alias("right_day"), pl.col("left_day").cast(pl.Int64))


@pytest.mark.slow
@pytest.mark.parametrize(("people", "siblings", "samples"), [(100, 1, 50), (400, 1, 25), (80, 3, 25)])
def test_limits_hold_the_truth(people: int, siblings: int, samples: int) -> None:
    """Simulation: true shares 0.55, 0.28, 0.11 and 0.040 on days 91, 182, 364 and 728.

    Coverage of four days together, within three Monte Carlo errors of 95 % (the four are correlated, so the error is
    taken as if they were one). Visits rounded to weeks are part of what is tried.
    """
    rng = np.random.default_rng([20261204, people])
    truth = [0.02 + 0.94 * (1 - NORMAL.cdf(math.log(day))) for day in AT_DAYS]
    held = np.zeros((samples, len(AT_DAYS)))
    for sample in range(samples):
        found = presence_with_limits(visits(rng, people, siblings), AT_DAYS, replicates=150)
        for place, reading in enumerate(found.readings):
            lower, upper = limits(reading)
            held[sample, place] = lower <= truth[place] <= upper
    assert held.mean() == pytest.approx(0.95, abs=3 * math.sqrt(0.95 * 0.05 / samples))
