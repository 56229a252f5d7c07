"""Kaplan-Meier against published values and other software, and what it says at the ends."""

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipelines.estimators import CountsError, product_limit, risk_table, survival_at
from pipelines.estimators.kaplan_meier import curve_limits
from pipelines.next_session.either_event import either_event

Spells = Callable[[str], pl.DataFrame]
DATA_SETS = ["six_mp", "lung", "mgus", "myeloma", "heart", "all_have_event", "flat_at_half"]


def as_array(values: list[float | str | None]) -> np.ndarray[Any, np.dtype[np.float64]]:
    """R's numbers, with its missing values as not a number."""
    return np.array([np.nan if value in (None, "NaN", "NA") else float(value or 0) for value in values])


def test_freireich_1963_six_mp(reference_spells: Spells) -> None:
    """Published: remission under 6-MP, Freireich 1963, Blood 21:699; Gehan 1965, Biometrika 52:203; three decimals."""
    published = {6: 0.857, 7: 0.807, 10: 0.753, 13: 0.690, 16: 0.627, 22: 0.538, 23: 0.448}
    curve = product_limit(risk_table(reference_spells("six_mp")))
    estimates = survival_at(curve, list(published))
    assert [estimate.estimate for estimate in estimates] == pytest.approx(list(published.values()), abs=0.0005)


def test_klein_moeschberger_table_4_1(reference_spells: Spells) -> None:
    """Recalled: standard errors under 6-MP, Klein & Moeschberger 2003, Survival Analysis, table 4.1; three decimals."""
    published = {6: 0.076, 7: 0.087, 10: 0.096, 13: 0.107, 16: 0.114, 22: 0.128, 23: 0.135}
    estimates = survival_at(product_limit(risk_table(reference_spells("six_mp"))), list(published))
    assert [estimate.std_error for estimate in estimates] == pytest.approx(list(published.values()), abs=0.0005)


def test_kaplan_meier_1958_first_example() -> None:
    """Recalled: Kaplan & Meier 1958, JASA 53:457-481, section 1: deaths 0.8, 3.1, 5.4, 9.2; losses 1.0, 2.7, 7.0, 12.1.

    Tenths of a month stand for days. The products 7/8, 4/5, 3/4, 1/2 are also by hand.
    """
    spells = pl.DataFrame(
        {"exit_day": [8, 31, 54, 92, 10, 27, 70, 121], "events": [1] * 4 + [0] * 4, "censored": [0] * 4 + [1] * 4}
    )
    estimates = survival_at(product_limit(risk_table(spells)), [8, 31, 54, 92])
    assert [estimate.estimate for estimate in estimates] == pytest.approx([0.875, 0.700, 0.525, 0.2625])


@pytest.mark.parametrize("name", DATA_SETS)
def test_other_software_r_survfit(name: str, reference_spells: Spells, reference_results: Callable[[str], Any]) -> None:
    """Other software: R survfit with ties, delayed entry and log-log limits, see tests/reference/kaplan_meier.R."""
    expected = reference_results("kaplan_meier")[name]["curve"]
    curve = product_limit(risk_table(reference_spells(name)))
    leaving = curve.events + curve.counts.censored > 0
    assert curve.day[leaving].tolist() == expected["day"]
    assert curve.at_risk[leaving].tolist() == expected["at_risk"]
    assert curve.events[leaving].tolist() == expected["events"]
    assert curve.counts.censored[leaving].tolist() == expected["censored"]
    lower, upper = curve_limits(curve, 0.95)
    alive = curve.survival > 0
    std_error = np.full(curve.day.size, np.nan)
    std_error[alive] = curve.survival[alive] * np.sqrt(curve.greenwood[alive])
    for ours, theirs in (("survival", curve.survival), ("std_error", std_error), ("lower", lower), ("upper", upper)):
        np.testing.assert_allclose(theirs[leaving], as_array(expected[ours]), rtol=1e-10, atol=1e-12)


def test_estimates_repeat_the_curve(reference_spells: Spells, reference_results: Callable[[str], Any]) -> None:
    """Other software: R survfit read at its own days, as the estimates show it."""
    expected = reference_results("kaplan_meier")["lung"]["curve"]
    curve = product_limit(risk_table(reference_spells("lung")))
    for row, estimate in enumerate(survival_at(curve, expected["day"])):
        assert estimate.limits_by == "log_log"
        assert estimate.estimate == pytest.approx(expected["survival"][row], rel=1e-10)
        assert estimate.std_error == pytest.approx(expected["std_error"][row], rel=1e-10)
        assert estimate.lower == pytest.approx(expected["lower"][row], rel=1e-10)
        assert estimate.upper == pytest.approx(expected["upper"][row], rel=1e-10)
        assert estimate.at_risk == expected["at_risk"][row] - expected["events"][row] - expected["censored"][row]


@pytest.mark.parametrize("name", ["six_mp", "lung", "mgus"])
def test_other_software_lifelines_on_weighted_counts(name: str, reference_spells: Spells) -> None:
    """Other software: lifelines KaplanMeierFitter with counts as weights; same estimate and log(-log) limits."""
    from lifelines import KaplanMeierFitter

    table = risk_table(reference_spells(name))
    events, censored = table.filter(pl.col("events") > 0), table.filter(pl.col("censored") > 0)
    fitter = KaplanMeierFitter(alpha=0.05).fit(
        [*events["day"], *censored["day"]],
        [1] * events.height + [0] * censored.height,
        weights=[*events["events"], *censored["censored"]],
    )
    curve = product_limit(table)
    lower, upper = curve_limits(curve, 0.95)
    theirs = fitter.survival_function_["KM_estimate"].loc[curve.day]
    np.testing.assert_allclose(curve.survival, theirs, rtol=1e-10)
    inside = (curve.survival > 0) & (curve.survival < 1)
    limits = fitter.confidence_interval_.loc[curve.day[inside]].to_numpy()
    np.testing.assert_allclose(np.column_stack([lower[inside], upper[inside]]), limits, rtol=1e-8)


def test_day_0() -> None:
    """By hand: of 4, one has the event on day 0 and one is lost on day 0; 3/4 stay, 2 are followed on."""
    spells = pl.DataFrame({"exit_day": [0, 0, 5], "events": [1, 0, 0], "censored": [0, 1, 2]})
    (first, last) = survival_at(product_limit(risk_table(spells)), [0, 5])
    assert (first.estimate, first.at_risk, first.events) == (0.75, 2, 1)
    assert (last.estimate, last.at_risk, last.events) == (0.75, 0, 1)


def test_before_any_event_the_width_is_not_zero() -> None:
    """By hand: 10 from the origin, 4 lost on day 3; 6 seen free on day 4: lower limit 0.025 ** (1 / 6)."""
    spells = pl.DataFrame({"exit_day": [3, 9], "events": [0, 1], "censored": [4, 5]})
    on_3, on_4, on_9 = survival_at(product_limit(risk_table(spells)), [3, 4, 9])
    assert (on_3.estimate, on_3.upper, on_3.limits_by) == (1.0, 1.0, "exact_no_events")
    assert on_3.lower == pytest.approx(0.025 ** (1 / 10))
    assert on_4.lower == pytest.approx(0.025 ** (1 / 6))
    assert on_4.std_error is None
    assert on_9.limits_by == "log_log"


def test_late_entry_cannot_narrow_the_limits_before_any_event() -> None:
    """By hand: 3 at risk to day 5, then 100 more; of days 1 to 5 only 3 people speak."""
    spells = pl.DataFrame({"entry_day": [0, 5], "exit_day": [50, 50], "events": [0, 0], "censored": [3, 100]})
    (estimate,) = survival_at(product_limit(risk_table(spells)), [40])
    assert estimate.lower == pytest.approx(0.025 ** (1 / 3))
    assert estimate.at_risk == 103


def test_a_curve_at_0_keeps_the_last_upper_limit() -> None:
    spells = pl.DataFrame({"exit_day": [2, 5], "events": [2, 4], "censored": [0, 0]})
    before, end = survival_at(product_limit(risk_table(spells)), [4, 5])
    assert before.upper is not None
    assert (end.estimate, end.lower, end.upper, end.std_error) == (0.0, 0.0, before.upper, None)
    assert end.limits_by == "before_last_event"
    assert 0.3 < before.upper < 1.0


def test_what_the_docstring_admits_about_a_single_event() -> None:
    """By hand: all outcomes of 100 people followed throughout, weighed by the binomial with a true 0.995."""
    held = 0.0
    for events in range(101):
        spells = pl.DataFrame({"exit_day": [5, 9], "events": [events, 0], "censored": [0, 100 - events]})
        (estimate,) = survival_at(product_limit(risk_table(spells)), [5])
        assert estimate.lower is not None
        assert estimate.upper is not None
        if estimate.lower <= 0.995 <= estimate.upper:
            held += math.comb(100, events) * 0.005**events * 0.995 ** (100 - events)
    assert held == pytest.approx(0.910, abs=0.0005)


def test_all_on_one_day() -> None:
    """By hand: all of 4 have the event on day 7; 1 - 0.025 ** (1 / 4) is Clopper-Pearson's upper limit for 0 of 4."""
    curve = product_limit(risk_table(pl.DataFrame({"exit_day": [7], "events": [4], "censored": [0]})))
    (estimate,) = survival_at(curve, [7])
    assert (estimate.estimate, estimate.lower, estimate.limits_by) == (0.0, 0.0, "exact_all_events")
    assert estimate.upper == pytest.approx(1 - 0.025 ** (1 / 4))


def test_a_fall_to_0_before_the_other_curve_begins() -> None:
    """By hand: in a product of two curves, nobody of the second was seen when the first fell: nothing rules out 1."""
    one = pl.DataFrame({"entry_day": [0, 2], "exit_day": [2, 50], "events": [4, 0], "censored": [0, 1]})
    two = pl.DataFrame({"entry_day": [10], "exit_day": [50], "events": [0], "censored": [3]})
    curves = [product_limit(risk_table(spells)) for spells in (one, two)]
    (estimate,) = survival_at(either_event(*curves), [20])
    assert (estimate.estimate, estimate.lower, estimate.upper) == (0.0, 0.0, 1.0)


def test_nothing_past_the_last_day_of_follow_up(reference_spells: Spells) -> None:
    curve = product_limit(risk_table(reference_spells("six_mp")))
    assert curve.last_day == 35
    on_last, past = survival_at(curve, [35, 36])
    assert on_last.estimate == pytest.approx(0.448, abs=0.0005)
    assert not on_last.beyond_follow_up
    assert past.beyond_follow_up
    assert (past.estimate, past.lower, past.upper, past.std_error, past.limits_by) == (None,) * 5
    assert (past.at_risk, past.events) == (0, 9)


def test_nothing_across_a_gap_or_before_the_first_entry() -> None:
    spells = pl.DataFrame({"entry_day": [3, 30], "exit_day": [10, 60], "events": [0, 1], "censored": [1, 0]})
    curve = product_limit(risk_table(spells))
    early, inside, late = survival_at(curve, [3, 4, 45])
    assert early.reason == "before_follow_up"
    assert inside.estimate == 1.0
    assert (late.estimate, late.reason, late.at_risk) == (None, "beyond_follow_up", 1)


def test_nobody_observed() -> None:
    empty = pl.DataFrame(schema={"exit_day": pl.Int64, "events": pl.Int64, "censored": pl.Int64})
    curve = product_limit(risk_table(empty))
    assert (curve.first_day, curve.last_day) == (None, None)
    (estimate,) = survival_at(curve, [0])
    assert (estimate.estimate, estimate.at_risk, estimate.beyond_follow_up) == (None, 0, True)


def test_faults_are_named() -> None:
    table = pl.DataFrame({"day": [4, 2], "at_risk": [1, 3], "events": [2, 5], "censored": [0, 0]})
    with pytest.raises(CountsError, match="day 2: more events than people at risk"):
        product_limit(table)
    with pytest.raises(CountsError, match="missing column events"):
        product_limit(table.drop("events"))


@pytest.mark.parametrize("level", [0.0, 1.0, 95])
def test_level_is_a_share(level: float, reference_spells: Spells) -> None:
    curve = product_limit(risk_table(reference_spells("six_mp")))
    with pytest.raises(ValueError, match=r"0\.95"):
        survival_at(curve, [10], level)
