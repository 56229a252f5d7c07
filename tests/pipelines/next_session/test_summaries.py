"""Quantiles, restricted means, and tests between groups, from records."""

from __future__ import annotations

from pathlib import Path

import pytest
from lifelines.statistics import logrank_test

from pipelines.next_session import next_session_differences, next_session_summaries
from tests.pipelines.next_session.records import FOLLOWED, patient, session
from tests.small_registry import Row, on, small_registry

DAYS = {"a": 100, "b": 200, "c": 400, "d": None, "e": 150, "f": 900, "g": None, "h": None}
SEX = {name: "female" if name in "abce" else "male" for name in DAYS}


def records() -> dict[str, list[Row]]:
    return {
        "patient": [patient(name, sex=SEX[name]) for name in DAYS],
        "session": [
            *(session(name) for name in DAYS),
            *(session(name, 2, day) for name, day in DAYS.items() if day is not None),
        ],
    }


def test_quantiles_and_mean_by_hand(empty_registry: Path) -> None:
    """*By hand*: of eight a tenth by day 100; a quarter is reached on day 150 (2 of 8), flat until 200, so the middle;
    half on day 400 (4 of 8), flat until 900. Mean within 365 days: (100 + 150 + 200 + 5 x 365) / 8."""
    with small_registry(empty_registry, **records()) as registry:
        figures = next_session_summaries(registry, at_days=[365])
    shares = {figure.group["share"]: figure.estimate for figure in figures if "share" in figure.group}
    assert shares == {"10%": 100.0, "25%": 175.0, "50%": 650.0}
    assert figures[-1].measure == "mean_days_without_next_session"
    assert figures[-1].estimate == pytest.approx((100 + 150 + 200 + 5 * 365) / 8)


def test_log_rank_as_lifelines(empty_registry: Path) -> None:
    """*Other software*: lifelines `logrank_test` on the raw rows."""
    with small_registry(empty_registry, **records()) as registry:
        (figure,) = next_session_differences(registry, by=("sex",))
    times = {
        sex: [FOLLOWED if DAYS[name] is None else DAYS[name] for name in DAYS if SEX[name] == sex]
        for sex in ("female", "male")
    }
    seen = {sex: [DAYS[name] is not None for name in DAYS if SEX[name] == sex] for sex in ("female", "male")}
    expected = logrank_test(times["female"], times["male"], seen["female"], seen["male"]).p_value
    assert figure.estimate == pytest.approx(expected, rel=1e-9)
    assert (figure.n, figure.events) == (8, 5)


def test_competing_events_give_both_tests(empty_registry: Path) -> None:
    rows = records()
    with small_registry(empty_registry, **rows) as registry:
        both = next_session_differences(registry, by=("sex",), competing="death")
    assert [figure.measure for figure in both] == ["log_rank_p_value"] * 2 + ["gray_p_value"] * 2
    assert both[0].estimate == pytest.approx(both[2].estimate, abs=0.05)  # nobody died: nearly one question


def test_late_entry_leaves_out_gray(empty_registry: Path) -> None:
    rows = records()
    rows["patient"] = [row | ({"enrolled_on": on(50)} if row["patient_key"] == "h" else {}) for row in rows["patient"]]
    with small_registry(empty_registry, **rows) as registry:
        found = next_session_differences(registry, by=("sex",), competing="death")
    assert [figure.measure for figure in found] == ["log_rank_p_value"] * 2


def test_a_patient_in_several_groups_is_not_tested(empty_registry: Path) -> None:
    with small_registry(empty_registry, **records()) as registry:
        assert next_session_differences(registry, by=("session_number",)) == ()
        assert next_session_differences(registry, by=("sex",), number="2+") == ()
