"""Numbers of cases: against R, statsmodels and by hand, and whether they give the power they promise."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.power import NormalIndPower

from pipelines.planning.sample_size import (
    cases_two_means,
    cases_two_shares,
    cases_without_event,
    events_for_hazard_ratio,
)
from pipelines.planning.simulation import (
    simulated_power_hazard_ratio,
    simulated_power_two_means,
    simulated_power_two_shares,
)

R = json.loads((Path("tests") / "reference" / "planning.json").read_text(encoding="utf-8"))
SIMULATED = 3 * math.sqrt(0.8 * 0.2 / 2000)


@pytest.mark.parametrize("row", R["shares"])
def test_two_shares_as_r_power_prop_test(row: dict[str, float]) -> None:
    """*Other software*: R `power.prop.test`, script beside the data."""
    n = math.ceil(row["n"])
    assert cases_two_shares(row["first"], row["second"], power=row["power"]) == (n, n)


@pytest.mark.parametrize("row", R["means"])
def test_two_means_as_r_power_t_test(row: dict[str, float]) -> None:
    """*Other software*: R `power.t.test`, which takes Student's law; ours takes the normal one, so up to two fewer."""
    first, second = cases_two_means(row["difference"], row["sd"], power=row["power"])
    assert first == second
    assert 0 <= math.ceil(row["n"]) - first <= 2


@pytest.mark.parametrize("split", [0.5, 0.3, 0.8])
def test_two_means_of_unlike_groups_as_statsmodels(split: float) -> None:
    """*Other software*: statsmodels `NormalIndPower`."""
    n = NormalIndPower().solve_power(effect_size=0.4, alpha=0.05, power=0.8, ratio=(1 - split) / split)
    first, second = cases_two_means(0.4, 1.0, split=split)
    assert first == math.ceil(n)
    assert second == pytest.approx(n * (1 - split) / split, abs=1)


def test_events_for_a_hazard_ratio_by_hand() -> None:
    """*By hand*: ((1.959964 + 0.841621) / ln 2)^2 / (1/2 x 1/2) = 65.3; a quarter in one group: 87.1."""
    assert events_for_hazard_ratio(2.0) == events_for_hazard_ratio(0.5) == 66
    assert events_for_hazard_ratio(2.0, split=0.25) == 88


@pytest.mark.parametrize(("share", "cases"), [(0.03, 99), (0.01, 299), (0.001, 2995)])
def test_rule_of_three(share: float, cases: int) -> None:
    """*Published*: Hanley & Lippman-Hand 1983: about 3 / share. *By hand*: the exact number."""
    found = cases_without_event(share)
    assert found == cases
    assert found == pytest.approx(3 / share, rel=0.02)
    assert (1 - share) ** found <= 0.05 < (1 - share) ** (found - 1)


@given(first=st.floats(0.02, 0.9), rise=st.floats(0.02, 0.09), split=st.floats(0.2, 0.8))
def test_more_power_and_smaller_differences_ask_for_more(first: float, rise: float, split: float) -> None:
    def total(difference: float, power: float) -> int:
        return sum(cases_two_shares(first, first + difference, power=power, split=split))

    assert total(rise, 0.9) > total(rise, 0.8) >= total(rise * 1.05, 0.8)


@pytest.mark.parametrize(("first", "second"), [(0.3, 0.4), (0.1, 0.06), (0.5, 0.75)])
def test_so_many_cases_find_the_difference(first: float, second: float) -> None:
    power = simulated_power_two_shares(cases_two_shares(first, second), (first, second))
    assert power == pytest.approx(0.8, abs=0.02 + SIMULATED)


def test_like_sessions_of_a_patient_need_the_design_effect() -> None:
    """Without it the plan is too small, with it the power is there."""
    plain = cases_two_shares(0.2, 0.3)
    allowed = (round(plain[0] * 1.6), round(plain[1] * 1.6))
    clusters: dict[str, Any] = {"sessions_a_patient": 2.4, "design_effect": 1.6}
    assert simulated_power_two_shares(plain, (0.2, 0.3), **clusters) < 0.68
    assert simulated_power_two_shares(allowed, (0.2, 0.3), **clusters) == pytest.approx(0.8, abs=0.02 + SIMULATED)


def test_no_difference_is_found_as_often_as_chance_says() -> None:
    allowance = 3 * math.sqrt(0.05 * 0.95 / 2000)
    clustered = simulated_power_two_shares((600, 600), (0.3, 0.3), sessions_a_patient=2.0, design_effect=1.4)
    assert clustered == pytest.approx(0.05, abs=0.01 + allowance)
    assert simulated_power_two_means((60, 60), (0.9, 0.9), 0.08) == pytest.approx(0.05, abs=0.01 + allowance)
    assert simulated_power_hazard_ratio((150, 150), 0.4, 1.0) == pytest.approx(0.05, abs=0.01 + allowance)


def test_so_many_patients_find_a_hazard_ratio_and_a_yield() -> None:
    events = events_for_hazard_ratio(1.8)
    second = 1 - 0.7**1.8
    patients = math.ceil(events / ((0.3 + second) / 2) / 2)
    assert simulated_power_hazard_ratio((patients, patients), 0.3, 1.8) == pytest.approx(0.8, abs=0.03 + SIMULATED)
    assert simulated_power_hazard_ratio((patients, patients), 0.3, 1.8, lost_by=0.4) < 0.75
    yields = simulated_power_two_means(cases_two_means(0.03, 0.07), (0.90, 0.93), 0.07)
    assert yields == pytest.approx(0.8, abs=0.03 + SIMULATED)


def test_what_cannot_be() -> None:
    for wrong in (
        lambda: cases_two_shares(0.2, 0.2),
        lambda: cases_two_shares(0.2, 1.2),
        lambda: cases_two_shares(0.2, 0.3, split=1.0),
        lambda: cases_two_shares(0.2, 0.3, power=0.5),
        lambda: events_for_hazard_ratio(1.0),
        lambda: events_for_hazard_ratio(-2.0),
        lambda: cases_two_means(0.0, 1.0),
        lambda: cases_two_means(0.1, 0.0),
        lambda: cases_without_event(0.0),
        lambda: simulated_power_two_shares((10, 10), (0.1, 0.2), sessions_a_patient=0.5),
    ):
        with pytest.raises(ValueError, match=r"must|1 or more"):
            wrong()
