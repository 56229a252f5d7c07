"""Parametric laws for interval-censored counts against other software, and what they refuse."""

from collections.abc import Callable
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipelines.estimators import CountsError, parametric_fits, parametric_presence

Rows = Callable[[str], pl.DataFrame]
R_NAMES = {"log_normal": "lognormal", "weibull": "weibull", "log_logistic": "loglogistic"}


def counted(data: pl.DataFrame) -> pl.DataFrame:
    return data.select(left_day="left", right_day="right", n=pl.lit(1, dtype=pl.Int64))


@pytest.mark.parametrize("name", ["cosmesis", "days", "weeks"])
def test_other_software_r_survreg(name: str, reference_rows: Rows, reference_results: Callable[[str], Any]) -> None:
    """Other software: R survreg with interval2 data, see tests/reference/interval_censored.R; limits worked out there
    from its covariance."""
    theirs = reference_results("interval_censored")[name]
    at_days = theirs["at"]
    fits = parametric_fits(counted(reference_rows(f"intervals_{name}")))
    assert [fit.aic for fit in fits] == sorted(fit.aic for fit in fits)
    assert {fit.distribution for fit in fits} == set(R_NAMES)
    for fit in fits:
        expected = theirs["parametric"][R_NAMES[fit.distribution]]
        assert fit.location == pytest.approx(expected["location"], abs=1e-6)
        assert fit.scale == pytest.approx(expected["scale"], rel=1e-5)
        assert fit.log_likelihood == pytest.approx(expected["log_likelihood"], abs=1e-8)
        assert fit.aic == pytest.approx(expected["aic"], abs=1e-7)
        read = parametric_presence(fit, at_days)
        assert [interval.estimate for interval in read] == pytest.approx(expected["survival"], abs=1e-6)
        assert [interval.lower for interval in read] == pytest.approx(expected["lower"], abs=1e-5)
        assert [interval.upper for interval in read] == pytest.approx(expected["upper"], abs=1e-5)


def test_no_law_stands_out_on_the_breast_cosmesis_data(reference_rows: Rows) -> None:
    """Regression only: on 94 women no law stands out; AIC within 0.3 of each other."""
    aic = [fit.aic for fit in parametric_fits(counted(reference_rows("intervals_cosmesis")))]
    assert aic == pytest.approx([301.31, 301.58, 301.59], abs=0.01)


def test_the_law_that_made_the_data_is_found() -> None:
    """Known truth: 20,000 log-normal durations, median 100 days, seen at 30, 90, 180 and 365 days."""
    rng = np.random.default_rng(20261201)
    ends = np.exp(rng.normal(np.log(100), 0.8, 20_000))
    looks = np.array([0, 30, 90, 180, 365])
    place = np.searchsorted(looks, ends) - 1
    rows = pl.DataFrame({"place": place}).group_by("place").agg(n=pl.len()).sort("place")
    table = pl.DataFrame(
        {
            "left_day": looks[rows["place"].to_numpy()],
            "right_day": [int(looks[p + 1]) if p + 1 < looks.size else None for p in rows["place"]],
            "n": rows["n"].cast(pl.Int64),
        }
    )
    best = parametric_fits(table)[0]
    assert best.distribution == "log_normal"
    assert best.location == pytest.approx(np.log(100), abs=4 * best.covariance[0][0] ** 0.5)
    assert np.log(best.scale) == pytest.approx(np.log(0.8), abs=4 * best.covariance[1][1] ** 0.5)
    assert best.covariance[0][0] ** 0.5 < 0.01


def test_counts_are_repeated_rows() -> None:
    rows = {"left_day": [0, 30, 90, 90], "right_day": [30, 90, 180, None], "n": [2, 5, 4, 3]}
    repeated = {name: np.repeat(np.array(rows[name], dtype=object), rows["n"]).tolist() for name in rows}
    repeated["n"] = [1] * 14
    one, other = parametric_fits(pl.DataFrame(rows)), parametric_fits(pl.DataFrame(repeated))
    assert [fit.aic for fit in one] == pytest.approx([fit.aic for fit in other])


@pytest.mark.parametrize(
    ("rows", "problem"),
    [
        ([], "nobody was seen to end"),
        ([(7, None, 5)], "nobody was seen to end"),
        ([(0, 30, 5), (7, 60, 2)], "all intervals share a day"),
        ([(0, 30, 5), (20, None, 2)], "all intervals share a day"),
    ],
)
def test_intervals_that_hold_no_law_down(rows: list[tuple[int, int | None, int]], problem: str) -> None:
    table = pl.DataFrame(rows, schema=dict.fromkeys(["left_day", "right_day", "n"], pl.Int64), orient="row")
    with pytest.raises(CountsError, match=problem):
        parametric_fits(table)


def test_a_law_is_read_from_day_1_on() -> None:
    fit = parametric_fits(pl.DataFrame({"left_day": [0, 30, 60], "right_day": [30, 60, None], "n": [2, 5, 4]}))[0]
    with pytest.raises(ValueError, match="day 1"):
        parametric_presence(fit, [0])
