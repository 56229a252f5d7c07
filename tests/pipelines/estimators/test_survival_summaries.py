"""Quantiles and restricted means of a survival curve."""

from collections.abc import Callable
from typing import Any

import polars as pl
import pytest

from pipelines.estimators import product_limit, quantile_with_limits, restricted_mean, risk_table

Spells = Callable[[str], pl.DataFrame]
Results = Callable[[str], Any]


def number(value: float | str | None) -> float | None:
    """R's number, or None where R has none."""
    return None if value in (None, "NA", "NaN") else float(value or 0)


def as_list(value: Any) -> list[Any]:
    return value if isinstance(value, list) else [value]


@pytest.mark.parametrize("name", ["six_mp", "lung", "mgus", "myeloma", "heart", "all_have_event", "flat_at_half"])
def test_quantiles_other_software_r(name: str, reference_spells: Spells, reference_results: Results) -> None:
    """Other software: R quantile.survfit with log-log limits.

    The lower limits of heart are left out: under delayed entry they fall, rise and fall again there, and R sorts them.
    """
    expected = reference_results("kaplan_meier")[name]["quantiles"]
    curve = product_limit(risk_table(reference_spells(name)))
    for row, share in enumerate(expected["share"]):
        ours = quantile_with_limits(curve, share)
        assert ours.estimate_days == number(expected["estimate"][row])
        assert ours.upper_days == number(expected["upper"][row])
        if name != "heart":
            assert ours.lower_days == number(expected["lower"][row])


def test_first_fall_of_a_limit_counts(reference_spells: Spells) -> None:
    """By hand, from the R curve of heart: the lower limit is below 0.5 on day 10 already, and above it on day 32."""
    curve = product_limit(risk_table(reference_spells("heart")))
    assert quantile_with_limits(curve, 0.25).lower_days == 10


def test_lower_limit_where_the_curve_reaches_0() -> None:
    """By hand: where survival is 0 so is its lower limit, at any level; R gives no limit there."""
    curve = product_limit(risk_table(pl.DataFrame({"exit_day": [7], "events": [4], "censored": [0]})))
    median = quantile_with_limits(curve)
    assert (median.estimate_days, median.lower_days, median.upper_days) == (7.0, 7.0, None)


@pytest.mark.parametrize("name", ["six_mp", "lung", "mgus", "myeloma", "all_have_event", "flat_at_half"])
def test_restricted_means_other_software_r(name: str, reference_spells: Spells, reference_results: Results) -> None:
    """Other software: R summary(survfit, rmean=tau)."""
    expected = reference_results("kaplan_meier")[name]["restricted_means"]
    curve = product_limit(risk_table(reference_spells(name)))
    rows = zip(as_list(expected["tau"]), as_list(expected["mean"]), as_list(expected["std_error"]), strict=True)
    for tau, mean, std_error in rows:
        ours = restricted_mean(curve, tau)
        assert ours.estimate_days == pytest.approx(mean, rel=1e-10)
        assert ours.std_error_days == pytest.approx(std_error, rel=1e-8)
        assert ours.lower_days == pytest.approx(max(0.0, mean - 1.959963985 * std_error), rel=1e-8)
        assert ours.upper_days == pytest.approx(min(float(tau), mean + 1.959963985 * std_error), rel=1e-8)


def test_restricted_mean_without_events() -> None:
    """By hand: 6 free of the event to day 10. The curve is at least 0.025 ** (1 / 6) up to there."""
    curve = product_limit(risk_table(pl.DataFrame({"exit_day": [10, 20], "events": [2, 0], "censored": [0, 4]})))
    free = restricted_mean(curve, 10)
    assert (free.estimate_days, free.upper_days, free.std_error_days) == (10.0, 10.0, None)
    assert free.lower_days == pytest.approx(10 * 0.025 ** (1 / 6))
    assert restricted_mean(curve, 11).std_error_days is not None


def test_restricted_mean_says_nothing_it_cannot_know() -> None:
    spells = pl.DataFrame({"entry_day": [5], "exit_day": [20], "events": [1], "censored": [3]})
    curve = product_limit(risk_table(spells))
    assert restricted_mean(curve, 10).reason == "before_follow_up"
    assert restricted_mean(curve, 21).reason == "beyond_follow_up"
    assert restricted_mean(curve, 21).estimate_days is None


def test_all_on_one_day_has_no_limits() -> None:
    """By hand: all of 4 on day 7, when one more enters; the mean is 7 days and nothing shows its spread."""
    spells = pl.DataFrame({"entry_day": [0, 7], "exit_day": [7, 20], "events": [4, 0], "censored": [0, 1]})
    mean = restricted_mean(product_limit(risk_table(spells)), 15)
    assert (mean.estimate_days, mean.lower_days, mean.upper_days, mean.std_error_days) == (7.0, None, None, None)
    assert mean.reason is None


def test_nobody_observed() -> None:
    empty = pl.DataFrame(schema={"exit_day": pl.Int64, "events": pl.Int64, "censored": pl.Int64})
    curve = product_limit(risk_table(empty))
    assert quantile_with_limits(curve).estimate_days is None
    assert restricted_mean(curve, 5).reason == "beyond_follow_up"


def test_a_lower_level_gives_narrower_limits(reference_spells: Spells) -> None:
    curve = product_limit(risk_table(reference_spells("lung")))
    wide, narrow = quantile_with_limits(curve, 0.5, 0.99), quantile_with_limits(curve, 0.5, 0.5)
    assert wide.estimate_days == narrow.estimate_days
    assert (wide.lower_days or 0) < (narrow.lower_days or 0) < (narrow.upper_days or 0) < (wide.upper_days or 0)
    long, short = restricted_mean(curve, 300, 0.99), restricted_mean(curve, 300, 0.5)
    assert (long.lower_days or 0) < (short.lower_days or 0) < (short.upper_days or 0) < (long.upper_days or 0)


def test_arguments_are_checked(reference_spells: Spells) -> None:
    curve = product_limit(risk_table(reference_spells("six_mp")))
    with pytest.raises(ValueError, match="median"):
        quantile_with_limits(curve, 50)
    with pytest.raises(ValueError, match="tau_days"):
        restricted_mean(curve, 0)
    with pytest.raises(ValueError, match=r"0\.95"):
        quantile_with_limits(curve, 0.5, 95)
    with pytest.raises(ValueError, match=r"0\.95"):
        restricted_mean(curve, 20, 95)
