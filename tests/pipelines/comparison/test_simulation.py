"""Simulated practices with a stated truth: how often chance alone is flagged, and how soon a true doubling is found."""

from __future__ import annotations

import math

import numpy as np
import polars as pl
import pytest

from pipelines.comparison.case_mix import fit_case_mix
from pipelines.comparison.compare import compare_surgeons, with_false_discoveries_controlled
from pipelines.comparison.measures import COMPARED
from pipelines.comparison.practice import compare_practice
from pipelines.comparison.results import MeasureComparison
from pipelines.comparison.surveillance import RUN_LENGTH, cusum_limit, trend
from pipelines.estimators.run_length import markov_run_length
from synthetic_data import SITES, SURGEONS, _course, simulate
from synthetic_data.clinics import DATA_DATE
from tests.pipelines.comparison.made_up import FIRST_ON, LAST_ON, sessions
from tests.small_registry import load_frames, registry_in_memory

pytestmark = pytest.mark.slow
FOLLICULITIS = COMPARED["folliculitis"]
PRACTICES, SURGEONS_EACH, SESSIONS_EACH = 40, 25, 120


def compared(rows: pl.DataFrame) -> MeasureComparison:
    model = fit_case_mix(rows, FOLLICULITIS, FIRST_ON, LAST_ON, floor=10)
    surgeons = sorted(set(rows["surgeon_code"].to_list()))
    return compare_surgeons(rows, FOLLICULITIS, model, surgeons, FIRST_ON, LAST_ON, floor=10)


def test_without_true_differences_few_lie_outside_the_limits() -> None:
    """1,000 surgeons in 40 practices, none of whom differs; risks of about 8 % that differ by smoking.

    Two-sided, 5 % and 0.2 % at most may lie outside the 95% and 99.8% limits, since limits are exact and widened where
    the spread is above chance by chance. Bounds: the upper 99.9% limit of a binomial count with these shares. By
    measure of one alone no control of false discoveries takes place; the flags of one side are half of it.
    """
    counts = {f"S{number}": SESSIONS_EACH for number in range(SURGEONS_EACH)}
    outside_alert = outside_priority = flagged = total = 0
    for seed in range(PRACTICES):
        found = compared(sessions(counts, seed=seed))
        for result in with_false_discoveries_controlled([found])[0].results.values():
            position = result.position
            assert position is not None
            total += 1
            value = position.value
            outside_alert += not position.alert_limits[0] <= value <= position.alert_limits[1]
            outside_priority += not position.priority_limits[0] <= value <= position.priority_limits[1]
            flagged += bool(result.flag)
    assert total == 1000
    assert outside_alert <= 73
    assert outside_priority <= 8
    assert flagged <= 43  # of 2.5 % on the unfavourable side
    print(f"outside 95%: {outside_alert}, outside 99.8%: {outside_priority}, flagged: {flagged} of {total}")  # noqa: T201


def test_a_planted_doubling_is_found_as_soon_as_the_run_length_says() -> None:
    """Odds twice as high with one surgeon of eight. Delay: sessions to the first alarm from a sum of 0, against the
    Markov chain of Brook & Evans with the true risks; the model is fitted, so that the tolerance is a quarter."""
    counts = {f"S{number}": 600 for number in range(8)}
    delays, expected = [], []
    for seed in range(12):
        rows = sessions(counts, {"S0": math.log(2)}, seed=100 + seed)
        model = fit_case_mix(rows, FOLLICULITIS, FIRST_ON, LAST_ON, floor=10)
        found = trend(rows, FOLLICULITIS, model, "S0", FIRST_ON, LAST_ON, floor=10)
        limit = cusum_limit(rows, model)
        assert found is not None
        assert limit is not None
        places = found.path.alarms
        delays += np.diff([-1, *places]).tolist()
        shares = model.expected(rows.filter(pl.col("surgeon_code") == "S0"), "S0")
        assert shares is not None
        expected.append(markov_run_length(limit.limit, np.round(shares, 4), true_odds_ratio=2.0, states=200))
        assert found.delay == pytest.approx(expected[-1], rel=0.05)
    print(f"mean delay {np.mean(delays):.0f} sessions; by the Markov chain {np.mean(expected):.0f}")  # noqa: T201
    assert np.mean(delays) == pytest.approx(np.mean(expected), rel=0.25)


def test_in_control_an_alarm_comes_about_once_in_a_run_length() -> None:
    """Over 60,000 sessions that are as expected: 60 alarms, of which the rare ones of a short chart that starts at 0
    are fewer and those of a model that is off by chance are more. Tolerance: a third."""
    counts = {f"S{number}": 750 for number in range(8)}
    alarms = cases = 0
    for seed in range(10):
        rows = sessions(counts, seed=200 + seed)
        model = fit_case_mix(rows, FOLLICULITIS, FIRST_ON, LAST_ON, floor=10)
        for surgeon in counts:
            found = trend(rows, FOLLICULITIS, model, surgeon, FIRST_ON, LAST_ON, floor=10)
            assert found is not None
            alarms, cases = alarms + len(found.path.alarms), cases + len(found.days)
    print(f"{alarms} alarms in {cases} sessions")  # noqa: T201
    assert alarms == pytest.approx(cases / RUN_LENGTH, rel=0.34)


def test_a_surgeon_planted_in_the_fictional_clinics_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """The stated effects of all surgeons are set to nothing, and S07's to odds three times as high. The bytes of the
    demonstration do not change: the effects are changed for this test alone."""
    effects = np.array([math.log(3.0) if code == "S07" else 0.0 for code in SURGEONS])
    monkeypatch.setattr(_course, "_COMPLICATION_LOG_ODDS", effects)
    with registry_in_memory(SITES, SURGEONS) as registry:
        load_frames(registry, dict(simulate(5000, 3).frames))
        practice = compare_practice(registry, DATA_DATE)
        found = practice.comparisons["folliculitis"].results
        alarms = [len(one.alarms) for one in practice.trends("S07") if one.measure is FOLLICULITIS]
    planted = found["S07"]
    assert planted.ratio is not None
    assert planted.ratio.lower > 1.3
    assert planted.flag in ("alert", "priority_review")
    assert alarms
    assert alarms[0] >= 1
    assert not any(one.flag for code, one in found.items() if code != "S07")
