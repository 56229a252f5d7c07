"""Cumulative incidence of competing events against other software, and what it says at the ends."""

from collections.abc import Callable
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipelines.estimators import CountsError, cumulative_incidence, incidence_at, product_limit, risk_table
from pipelines.estimators.limits import log_log_limits

Spells = Callable[[str], pl.DataFrame]
Results = Callable[[str], Any]


def as_array(values: list[float | str | None]) -> np.ndarray[Any, np.dtype[np.float64]]:
    """R's numbers, with its missing values as not a number."""
    return np.array([np.nan if value in (None, "NaN", "NA") else float(value or 0) for value in values])


@pytest.mark.parametrize("name", ["transplant", "mgus_causes"])
def test_other_software_r_survfit(name: str, reference_spells: Spells, reference_results: Results) -> None:
    """Other software: R survfit with a multi-state event, ties and day 0; see tests/reference/aalen_johansen.R."""
    expected = reference_results("aalen_johansen")[name]
    curves = cumulative_incidence(risk_table(reference_spells(name)))
    assert curves.causes == tuple(expected["causes"])
    assert curves.at_risk.tolist() == expected["n_risk"]
    np.testing.assert_allclose(curves.survival, expected["event_free"], atol=1e-12)
    for k, cause in enumerate(curves.causes):
        theirs = expected["causes"][cause]
        assert curves.day.tolist() == theirs["day"]
        np.testing.assert_allclose(curves.incidence[k], theirs["incidence"], rtol=1e-10, atol=1e-14)
        np.testing.assert_allclose(curves.std_error[k], theirs["std_error"], rtol=1e-9, atol=1e-12)
        lower, upper = log_log_limits(curves.incidence[k], curves.std_error[k], 0.95)
        np.testing.assert_allclose(lower, as_array(theirs["lower"]), rtol=1e-9)
        np.testing.assert_allclose(upper, as_array(theirs["upper"]), rtol=1e-9)


def test_other_software_r_survfit_with_late_entry(reference_spells: Spells, reference_results: Results) -> None:
    """Other software: R survfit. Incidences agree; standard errors leave out cross terms that R keeps.

    Measured on these data: they differ by up to 1 % (cause 1) and 4 % (cause 2).
    """
    expected = reference_results("aalen_johansen")["mgus_late_entry"]
    curves = cumulative_incidence(risk_table(reference_spells("mgus_late_entry")))
    for k, cause in enumerate(curves.causes):
        theirs = expected["causes"][cause]
        rows = np.searchsorted(curves.day, theirs["day"])
        assert curves.day[rows].tolist() == theirs["day"]
        np.testing.assert_allclose(curves.incidence[k][rows], theirs["incidence"], rtol=1e-10, atol=1e-14)
        np.testing.assert_allclose(curves.std_error[k][rows], theirs["std_error"], rtol=0.05, atol=1e-12)


@pytest.mark.parametrize("name", ["transplant", "mgus_causes"])
def test_other_software_statsmodels(name: str, reference_spells: Spells) -> None:
    """Other software: statsmodels CumIncidenceRight, estimate and standard error (days on which anything happens)."""
    from statsmodels.duration.survfunc import CumIncidenceRight

    spells = reference_spells(name)
    causes = [column for column in spells.columns if column.startswith("events_")]
    status = sum(spells[column].to_numpy() * (k + 1) for k, column in enumerate(causes))
    with np.errstate(divide="ignore", invalid="ignore"):  # statsmodels divides by 0 once nobody is left
        theirs = CumIncidenceRight(spells["exit_day"].to_numpy(), status)
    curves = cumulative_incidence(risk_table(spells))
    rows = np.searchsorted(curves.day, theirs.times)
    for k in range(len(causes)):
        np.testing.assert_allclose(curves.incidence[k][rows], theirs.cinc[k], rtol=1e-10, atol=1e-14)
        known = np.isfinite(theirs.cinc_se[k])
        assert known.sum() >= rows.size - 1
        np.testing.assert_allclose(curves.std_error[k][rows][known], theirs.cinc_se[k][known], rtol=1e-8, atol=1e-12)


def test_estimates_repeat_the_curve(reference_spells: Spells, reference_results: Results) -> None:
    """Other software: R survfit read at its own days, as the estimates show it."""
    theirs = reference_results("aalen_johansen")["transplant"]["causes"]["2"]
    curves = cumulative_incidence(risk_table(reference_spells("transplant")))
    for row, estimate in enumerate(incidence_at(curves, "2", theirs["day"])):
        assert estimate.limits_by == "log_log"
        assert estimate.cause == "2"
        assert estimate.estimate == pytest.approx(theirs["incidence"][row], rel=1e-10)
        assert estimate.std_error == pytest.approx(theirs["std_error"][row], rel=1e-8)
        assert estimate.lower == pytest.approx(theirs["lower"][row], rel=1e-8)
        assert estimate.upper == pytest.approx(theirs["upper"][row], rel=1e-8)


@pytest.mark.parametrize("name", ["lung", "myeloma"])
def test_one_cause_is_kaplan_meier(name: str, reference_spells: Spells) -> None:
    """By hand: with a single cause incidence is 1 - survival, with Greenwood's variance, late entry or not."""
    table = risk_table(reference_spells(name))
    curves = cumulative_incidence(table.rename({"events": "events_only"}))
    curve = product_limit(table)
    np.testing.assert_allclose(curves.incidence[0], 1 - curve.survival, atol=1e-13)
    alive = curve.survival > 0
    greenwood = curve.survival[alive] * np.sqrt(curve.greenwood[alive])
    np.testing.assert_allclose(curves.std_error[0][alive], greenwood, rtol=1e-7, atol=1e-10)


def test_two_causes_by_hand() -> None:
    """By hand: 5 people; day 1 cause a, day 2 cause b, day 3 lost, day 4 cause a; nobody ties.

    Free of both before each day: 1, 4/5, 3/5, 3/5. Incidence of a: 1/5, 1/5, 1/5, 1/5 + 3/5 * 1/2. b: 0, 4/5 * 1/4.
    """
    spells = pl.DataFrame(
        {
            "exit_day": [1, 2, 3, 4, 9],
            "events_a": [1, 0, 0, 1, 0],
            "events_b": [0, 1, 0, 0, 0],
            "censored": [0, 0, 1, 0, 1],
        }
    )
    curves = cumulative_incidence(risk_table(spells))
    np.testing.assert_allclose(curves.incidence[0], [0.2, 0.2, 0.2, 0.5, 0.5])
    np.testing.assert_allclose(curves.incidence[1], [0.0, 0.2, 0.2, 0.2, 0.2])
    # no censoring up to day 2: the binomial variance p (1 - p) / 5
    np.testing.assert_allclose(curves.std_error[:, 1], [(0.2 * 0.8 / 5) ** 0.5] * 2)


def test_none_of_a_cause_has_an_exact_upper_limit() -> None:
    """By hand: 6 at risk on day 5, none of cause b: upper limit 1 - 0.025 ** (1 / 6)."""
    spells = pl.DataFrame({"exit_day": [2, 9], "events_a": [4, 0], "events_b": [0, 1], "censored": [0, 5]})
    curves = cumulative_incidence(risk_table(spells))
    (estimate,) = incidence_at(curves, "b", [5])
    assert (estimate.estimate, estimate.lower, estimate.std_error) == (0.0, 0.0, None)
    assert (estimate.limits_by, estimate.at_risk, estimate.events) == ("exact_no_events", 6, 0)
    assert estimate.upper == pytest.approx(1 - 0.025 ** (1 / 6))
    (before_any,) = incidence_at(curves, "a", [1])
    assert before_any.upper == pytest.approx(1 - 0.025 ** (1 / 10))


def test_all_of_one_cause() -> None:
    """By hand: in fifths, whose plain sum is 1.0000000000000002 in floating point; limits as on the day before."""
    outcomes = {"events_a": [1] * 5, "events_b": [0] * 5, "censored": [0] * 5}
    spells = pl.DataFrame({"exit_day": [1, 2, 3, 4, 6], **outcomes})
    before, end = incidence_at(cumulative_incidence(risk_table(spells)), "a", [5, 6])
    assert (end.estimate, end.lower, end.upper) == (1.0, before.lower, 1.0)
    assert (end.limits_by, end.std_error) == ("before_last_event", None)
    at_once = pl.DataFrame({"exit_day": [2], "events_a": [3], "events_b": [0], "censored": [0]})
    (estimate,) = incidence_at(cumulative_incidence(risk_table(at_once)), "a", [2])
    assert (estimate.estimate, estimate.upper, estimate.limits_by) == (1.0, 1.0, "exact_all_events")
    assert estimate.lower == pytest.approx(0.025 ** (1 / 3))


def test_nothing_outside_the_followed_span(reference_spells: Spells) -> None:
    curves = cumulative_incidence(risk_table(reference_spells("transplant")))
    assert curves.last_day == 2055
    on_last, past = incidence_at(curves, "1", [2055, 2056])
    assert on_last.estimate is not None
    assert past.beyond_follow_up
    assert (past.estimate, past.lower, past.upper, past.std_error) == (None,) * 4
    late = pl.DataFrame({"entry_day": [5], "exit_day": [9], "events_a": [1], "censored": [2]})
    (early,) = incidence_at(cumulative_incidence(risk_table(late)), "a", [5])
    assert early.reason == "before_follow_up"


def test_arguments_are_checked(reference_spells: Spells) -> None:
    table = risk_table(reference_spells("transplant"))
    curves = cumulative_incidence(table)
    with pytest.raises(KeyError, match="expected one of 1, 2, 3"):
        incidence_at(curves, "4", [10])
    with pytest.raises(ValueError, match=r"0\.95"):
        incidence_at(curves, "1", [10], 95)
    with pytest.raises(CountsError, match="product_limit"):
        cumulative_incidence(risk_table(reference_spells("lung")))
    with pytest.raises(CountsError, match="day 0: more events"):
        cumulative_incidence(table.with_columns(events_1=pl.col("at_risk"), events_2=pl.col("at_risk")))
