"""Results in the order of sessions."""

from __future__ import annotations

from datetime import timedelta

import polars as pl
import pytest

from pipelines.comparison.case_mix import CaseMixModel, fit_case_mix
from pipelines.comparison.measures import COMPARED
from pipelines.comparison.surveillance import RUN_LENGTH, Trend, alarm_budget, cusum_limit, trend
from tests.pipelines.comparison.made_up import FIRST_ON, LAST_ON, sessions, table

FOLLICULITIS = COMPARED["folliculitis"]
COUNTS = {f"S{number}": 300 for number in range(1, 7)}


@pytest.fixture(scope="module")
def rows() -> pl.DataFrame:
    return sessions(COUNTS, {"S1": 1.4})


@pytest.fixture(scope="module")
def model(rows: pl.DataFrame) -> CaseMixModel:
    return fit_case_mix(rows, FOLLICULITIS, FIRST_ON, LAST_ON, floor=10)


def drawn(rows: pl.DataFrame, model: CaseMixModel, surgeon: str, **more: object) -> Trend:
    found = trend(rows, FOLLICULITIS, model, surgeon, FIRST_ON, LAST_ON, floor=10, **more)  # type: ignore[arg-type]
    assert found is not None
    return found


def test_sessions_stand_in_the_order_of_surgery(rows: pl.DataFrame, model: CaseMixModel) -> None:
    found = drawn(rows, model, "S2")
    assert len(found.days) == 300
    assert list(found.days) == sorted(found.days)
    own = rows.filter(pl.col("surgeon_code") == "S2")
    assert found.sessions == tuple(own["session_key"].to_list())


def test_the_difference_ends_at_expected_less_observed(rows: pl.DataFrame, model: CaseMixModel) -> None:
    """By hand: the sum of expected shares less the events."""
    own = rows.filter(pl.col("surgeon_code") == "S2")
    expected = model.expected(own, "S2")
    assert expected is not None
    assert drawn(rows, model, "S2").difference.values[-1] == pytest.approx(expected.sum() - own["observed"].sum())


def test_odds_four_times_as_high_raise_an_alarm_and_those_as_expected_mostly_none(
    rows: pl.DataFrame, model: CaseMixModel
) -> None:
    """The truth is stated. By chance one alarm comes in about 1,000 sessions; S2 to S6 have 1,500 together."""
    assert drawn(rows, model, "S1").alarms
    others = sum(len(drawn(rows, model, f"S{number}").alarms) for number in range(2, 7))
    assert others <= 5  # a Poisson count with mean 1.5 is above 5 four times in 1,000


def test_a_closed_review_sets_the_sum_back_and_is_told(rows: pl.DataFrame, model: CaseMixModel) -> None:
    free = drawn(rows, model, "S1")
    place = next(place for place, value in enumerate(free.path.values) if value > 1)
    day = free.days[place]
    found = drawn(rows, model, "S1", restarts=[day])
    later = next(place for place, own in enumerate(found.days) if own > day)
    assert found.restarts == (day,)
    assert found.path.restarts == (later,)
    assert found.path.values[later] < free.path.limit
    assert found.path.values[later] == pytest.approx(max(found.path.values[later], 0))
    # a review closed after the last session moves nothing
    assert drawn(rows, model, "S1", restarts=[found.days[-1] + timedelta(days=1)]).restarts == ()


def test_the_limit_has_the_stated_run_length_and_is_the_same_for_all(rows: pl.DataFrame, model: CaseMixModel) -> None:
    limit = cusum_limit(rows, model)
    assert limit is not None
    assert limit.run_length == pytest.approx(RUN_LENGTH, rel=0.1)
    assert drawn(rows, model, "S1").limit == drawn(rows, model, "S2").limit == limit


def test_nothing_is_drawn_without_sessions_events_or_others(rows: pl.DataFrame, model: CaseMixModel) -> None:
    assert trend(rows, FOLLICULITIS, model, "nobody", FIRST_ON, LAST_ON, floor=10) is None
    assert trend(rows, COMPARED["grafts_not_grown"], model, "S1", FIRST_ON, LAST_ON, floor=10) is None
    quiet = table(["S1", "S2", "S3"] * 50, [0.0] * 150)
    none = fit_case_mix(quiet, FOLLICULITIS, FIRST_ON, LAST_ON, floor=10)
    assert trend(quiet, FOLLICULITIS, none, "S1", FIRST_ON, LAST_ON, floor=10) is None
    pair = sessions({"S1": 300, "S2": 300})
    two = fit_case_mix(pair, FOLLICULITIS, FIRST_ON, LAST_ON, floor=10)
    assert trend(pair, FOLLICULITIS, two, "S1", FIRST_ON, LAST_ON, floor=10) is None


def test_the_budget_adds_up_all_charts(rows: pl.DataFrame) -> None:
    """By hand: 1,800 sessions over 1,000."""
    budget = alarm_budget({"folliculitis": rows}, {"folliculitis": FOLLICULITIS}, list(COUNTS), FIRST_ON, LAST_ON)
    assert budget is not None
    assert (budget.charts, budget.cases) == (6, 1800)
    assert budget.expected == pytest.approx(1.8)
    assert (
        alarm_budget({"folliculitis": rows.clear()}, {"folliculitis": FOLLICULITIS}, ["S1"], FIRST_ON, LAST_ON) is None
    )
