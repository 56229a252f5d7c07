"""Drawings that can stand together in one page."""

from __future__ import annotations

import re
import sys
from typing import Any

import pytest

from pipelines.figure import Figure
from reports.charts import Curve, Drawing, IntervalRow, curve_panel, interval_plot

ROWS = [IntervalRow("a", Figure("m", 10, "sessions", "wilson", estimate=0.1, lower=0.0, upper=0.4, events=1))]


def test_the_same_chart_gives_the_same_text_however_often_it_is_drawn() -> None:
    assert interval_plot(ROWS, "p", "Share") == interval_plot(ROWS, "p", "Share")


def test_ids_begin_with_the_name_of_the_chart() -> None:
    svg = interval_plot(ROWS, "first", "Share").svg
    ids = re.findall(r'\bid="([^"]+)"', svg)
    assert all(name.startswith("first-") for name in ids)
    assert set(re.findall(r"url\(#([^)]+)\)", svg)) <= set(ids)


def test_a_drawing_asks_for_nothing() -> None:
    svg = interval_plot(ROWS, "p", "Share").svg
    assert not re.search(r"(href|src)=|@import|@font-face|<script|<image|<foreignObject", svg)
    assert re.findall(r"https?://[^\"' ]+", svg) == ["http://www.w3.org/2000/svg"]


def test_it_scales_with_the_page_and_stops_at_its_size() -> None:
    drawing = interval_plot(ROWS, "p", "Share")
    opening = drawing.svg[: drawing.svg.index(">")]
    assert f'viewBox="0 0 {drawing.width} {drawing.height}"' in opening
    assert f"max-width:{drawing.width}px" in opening
    assert " width=" not in opening


def test_the_specification_is_valid(monkeypatch: pytest.MonkeyPatch) -> None:
    """The build skips the check of the specification, for speed; here it is made."""
    checked = []

    def draw(chart: Any, name: str) -> Drawing:
        checked.append(chart.to_dict(validate=True))
        return Drawing("", 0, 0)

    for module in ("interval_plot", "survival_curves"):
        monkeypatch.setattr(sys.modules[f"reports.charts.{module}"], "draw", draw)
    interval_plot(ROWS, "p", "Share")
    interval_plot(ROWS, "p", "Share", narrow=True)
    figures = [Figure("m", 10, "patients", "km", at=at, estimate=0.1, lower=0.0, upper=0.4) for at in (0, 365)]
    curve_panel([Curve("here", figures, "#0072B2")], "q", years=(0, 1), top=0.4, axis_title="Years")
    assert len(checked) == 3
