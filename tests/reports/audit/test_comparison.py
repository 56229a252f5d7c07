"""Surgeons in the audit: only by a frozen model, as prompts, never sorted by result. Expectations: *by hand*."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pipelines.comparison.graft_trend import GraftTrend
from pipelines.comparison.measures import COMPARED
from pipelines.comparison.results import MeasureComparison, SurgeonResult, Told
from pipelines.comparison.storing import FrozenModel, freeze_models
from pipelines.comparison.surveillance import Trend
from pipelines.estimators.count_surveillance import counts_expected_minus_observed, counts_moving_average
from pipelines.estimators.run_length import CusumLimit
from pipelines.estimators.surveillance import cusum_path, cusum_weights, expected_minus_observed, moving_average
from registry.store import Registry, open_registry, start_registry
from reports.audit import build_audit
from reports.audit._build import lay_out
from reports.audit._comparison import Alarm, ComparedSurgeons
from reports.audit._gather import gather
from reports.audit._quarter import parse_quarter
from synthetic_data import SITES, SURGEONS, simulate
from tests.small_registry import load_frames

from .conftest import QUARTER
from .reading import read, section, table

MODEL = FrozenModel(4, date(2014, 1, 1), date(2018, 12, 31), datetime(2019, 1, 5), "test", "a" * 16, "s", "0")


def result(surgeon: str, n: int, observed: int, ratio: float, flag: Any = "") -> SurgeonResult:
    told = Told(ratio, ratio / 2, ratio * 2, "mid_p")
    return SurgeonResult(surgeon, n, n, observed, n, {}, expected=observed / ratio, ratio=told, flag=flag)


def grafts() -> GraftTrend:
    """Two sessions of 100 grafts: 30 did not grow where 10 were expected, 40 either way by chance."""
    observed, expected, variance = np.array([10.0, 20.0]), np.array([5.0, 5.0]), np.array([200.0, 216.5])
    size = np.array([100.0, 100.0])
    return GraftTrend(
        "S2",
        (date(2018, 1, 1), date(2018, 2, 1)),
        counts_expected_minus_observed(observed, expected, variance),
        counts_moving_average(observed, size, expected, variance),
        8.0,
    )


def compared(*results: SurgeonResult) -> ComparedSurgeons:
    one = MeasureComparison(
        COMPARED["infection"], None, date(2017, 1, 1), date(2019, 12, 31), {r.surgeon: r for r in results},  # type: ignore[arg-type]
        None, None, 0.05, 0.8,
    )  # fmt: skip
    alarms, reached = (Alarm("S2", "Infection", date(2019, 11, 5)),), (running_sum(),)
    return ComparedSurgeons(MODEL, date(2017, 1, 1), date(2019, 12, 31), (one,), alarms, reached, (grafts(),), ())


def running_sum() -> Trend:
    """Three sessions: the sum reaches a limit of 1 at the second."""
    outcomes, risks = np.array([1, 1, 0]), np.array([0.1, 0.1, 0.1])
    return Trend(
        COMPARED["infection"],
        "S2",
        (date(2018, 3, 1), date(2019, 11, 5), date(2019, 12, 1)),
        ("a", "b", "c"),
        cusum_path(cusum_weights(outcomes, risks, 2.0), 1.0),
        expected_minus_observed(outcomes, risks),
        moving_average(outcomes, risks),
        CusumLimit(1.0, 990.0, 0.01, 100, 1),
        80.0,
    )


def test_without_a_frozen_model_nobody_is_compared(practice: Registry) -> None:
    page = read(build_audit(practice, QUARTER).html)
    assert "comparison" not in {found.attributes["id"] for found in page.all("section")}
    assert "no case-mix model is frozen" in section(page, "attention").text


def test_results_beyond_a_limit_are_prompts_in_the_order_of_codes(practice: Registry) -> None:
    data = gather(practice, parse_quarter(QUARTER))
    found = compared(
        result("S1", 200, 22, 2.2, "alert"), result("S2", 300, 60, 4.0, "priority_review"), result("S3", 9, 1, 1.0)
    )
    page = read(lay_out(replace(data, compared=found)).html)
    attention, own = section(page, "attention").text, section(page, "comparison")
    assert (
        "Surgeon S1, infection: seen over expected 2.2 (95% interval 1.1 to 4.4), alert. A prompt for review"
        in attention
    )
    assert attention.index("Surgeon S1") < attention.index("Surgeon S2, infection: seen over expected 4.0")
    assert "Surgeon S2, infection: the running sum reached its limit on 5 November 2019." in attention
    assert own.all("p")[0].attributes["class"] == "caution"
    caption = "Results beyond a limit on the unfavourable side, once all outcomes of a surgeon are allowed for"
    assert table(page, caption)["S1, Infection"] == ["22 of 200", "10.0", "2.2 1.1 to 4.4", "alert"]
    assert table(page, "Who is compared")["Infection"] == ["2", "1", "509", "80.0%"]
    # by hand: 30 less 10; averages 5 + 5 % of 5 = 5.25, then 95 % of that and 5 % of 20
    (row,) = table(page, "Grafts that did not grow, over time").values()
    assert row[:4] == ["2", "+20", "−40 to +40", "6.0%"]
    assert row[4].startswith("5.0%")
    assert "described, without an alarm" in own.text
    cusum, drawing = [d for d in own.all("div") if d.attributes.get("role") == "img"]
    # by hand: each event adds log(2 / 1.1) = 0.598 to the sum, so the second one passes 1
    assert cusum.attributes["aria-label"].startswith("CUSUM of infection, surgeon S2 over 3 sessions in their order")
    assert "alarms at session 2." in cusum.attributes["aria-label"]
    assert "Running sums that reached their limit in the quarter, session by session" in own.text
    assert "S2: 4.00 (2.00 to 8.00), priority review" in drawing.attributes["aria-label"]


@pytest.mark.slow
def test_a_frozen_model_brings_the_section_and_its_figures(tmp_path: Path) -> None:
    """Fictional records of 600 patients; 25 s."""
    start_registry(tmp_path / "registry", SITES, SURGEONS, "Test practice")
    with open_registry(tmp_path / "registry", read_only=False) as registry:
        load_frames(registry, simulate(600, 3).frames)
        freeze_models(registry, date(2021, 10, 1), date(2026, 9, 30), frozen_by="test")
    with open_registry(tmp_path / "registry") as registry:
        document = build_audit(registry, "2026-Q3")
    assert section(read(document.html), "comparison").text.count("prompt for review") >= 1
    assert '"surgeon_code": "S01"' in document.figures_json
    assert document.pdf().content.startswith(b"%PDF")
