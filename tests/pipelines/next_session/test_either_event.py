"""The share with neither of two events, where each has its own end of observation."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.estimators import SurvivalCurve, product_limit, risk_table, survival_at
from pipelines.next_session.either_event import either_event


def curve(spells: list[tuple[int, bool]]) -> SurvivalCurve:
    """A curve from one row a person: last day, and whether the event ended it."""
    frame = pl.DataFrame(
        {
            "exit_day": [day for day, _ in spells],
            "events": [int(event) for _, event in spells],
            "censored": [int(not event) for _, event in spells],
        },
        schema={"exit_day": pl.Int64, "events": pl.Int64, "censored": pl.Int64},
    )
    return product_limit(risk_table(frame))


def both(people: list[tuple[int, int]], end: int) -> SurvivalCurve:
    """Everybody watched for both events to the end: (day of the seen event, day of the told one)."""
    seen = [(first, True) if first <= min(told, end) else (end, False) for first, told in people]
    told = [(min(first, other, end), other < first and other <= end) for first, other in people]
    return either_event(curve(seen), curve(told))


PEOPLE = st.lists(st.tuples(st.integers(1, 30), st.integers(1, 30)), min_size=1, max_size=30)


@settings(derandomize=True, deadline=None)
@given(PEOPLE, st.integers(1, 30))
def test_with_everything_seen_it_is_the_share_without_an_event(people: list[tuple[int, int]], end: int) -> None:
    """*By hand*: nobody is censored before the end."""
    found = both(people, end)
    for day in range(1, end):
        (read,) = survival_at(found, [day])
        without = sum(min(pair) > day for pair in people)
        if without:
            assert read.estimate == pytest.approx(without / len(people), abs=1e-12)
            assert read.events == len(people) - without


@settings(derandomize=True, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 40), st.booleans()), max_size=25),
    st.lists(st.tuples(st.integers(0, 40), st.booleans()), max_size=25),
)
def test_it_never_rises_and_stays_between_0_and_1(seen: list[tuple[int, bool]], told: list[tuple[int, bool]]) -> None:
    found = either_event(curve(seen), curve(told))
    assert np.all(np.diff(found.survival) <= 1e-12)
    assert np.all((found.survival >= 0) & (found.survival <= 1))
    for read in survival_at(found, range(42)):
        if read.estimate is not None:
            assert read.lower is not None
            assert read.upper is not None
            assert 0 <= read.lower <= read.estimate + 1e-12
            assert read.estimate - 1e-12 <= read.upper <= 1


def test_without_the_told_event_it_is_the_seen_curve() -> None:
    seen = [(3, True), (5, True), (9, False), (9, False)]
    alone, found = curve(seen), either_event(curve(seen), curve([(9, False)] * 4))
    for one, other in zip(survival_at(alone, [2, 4, 8]), survival_at(found, [2, 4, 8]), strict=True):
        assert (one.estimate, one.lower, one.upper) == pytest.approx((other.estimate, other.lower, other.upper))


def test_without_the_seen_event_it_is_the_told_curve() -> None:
    told = [(3, True), (5, True), (9, False), (9, False)]
    alone, found = curve(told), either_event(curve([(9, False)] * 4), curve(told))
    for one, other in zip(survival_at(alone, [2, 4, 8]), survival_at(found, [2, 4, 8]), strict=True):
        assert (one.estimate, one.lower, one.upper) == pytest.approx((other.estimate, other.lower, other.upper))


def test_it_is_read_no_further_than_the_shorter_follow_up() -> None:
    found = either_event(curve([(50, False)] * 3), curve([(20, False)] * 3))
    inside, beyond = survival_at(found, [20, 21])
    assert inside.estimate == 1.0
    assert (beyond.estimate, beyond.beyond_follow_up) == (None, True)


def test_nobody_in_contact_gives_nothing() -> None:
    assert either_event(curve([(50, False)]), curve([])).last_day is None


@pytest.mark.slow
def test_limits_cover_and_the_share_is_unbiased() -> None:
    """1,000 samples of 300 people, contact lost for most, who has had the told event has the seen one less often.

    *By hand*: hazards a day of 0.02 (seen) and 0.01 (told) give S(40) = exp(-0.03 * 40) without either. Bounds: four
    Monte-Carlo standard errors.
    """
    rng = np.random.default_rng(20)
    day, repeats, n, end = 40, 1000, 300, 60
    truth = float(np.exp(-0.03 * day))
    estimates, covered, squared = [], 0, []
    for _ in range(repeats):
        told = np.ceil(rng.exponential(100, n)).astype(int)
        seen = np.ceil(rng.exponential(50, n)).astype(int)
        contact = np.floor(rng.exponential(30, n)).astype(int)
        first = seen < told
        here = [(int(s), True) if f and s <= end else (end, False) for s, f in zip(seen, first, strict=True)]
        # on a tied day the seen event comes first for half of them, at random, as it would in continuous time
        tied = (seen == told) & (rng.random(n) < 2 / 3)
        here = [(int(s), True) if t and s <= end else h for h, t, s in zip(here, tied, seen, strict=True)]
        stays = np.where(first | tied, np.minimum(contact, seen - 1), contact)
        elsewhere = [
            (int(t), True) if not (f or b) and t <= min(c, end) else (int(min(c, end)), False)
            for t, c, f, b in zip(told, stays, first, tied, strict=True)
        ]
        (read,) = survival_at(either_event(curve(here), curve(elsewhere)), [day])
        assert read.estimate is not None
        assert read.lower is not None
        assert read.upper is not None
        assert read.std_error is not None
        estimates.append(read.estimate)
        squared.append(read.std_error**2)
        covered += read.lower <= truth <= read.upper
    spread = float(np.std(estimates, ddof=1))
    assert abs(float(np.mean(estimates)) - truth) < 4 * spread / repeats**0.5
    assert abs(covered / repeats - 0.95) < 4 * (0.95 * 0.05 / repeats) ** 0.5
    assert float(np.mean(squared)) ** 0.5 == pytest.approx(spread, rel=4 / (2 * repeats) ** 0.5)
