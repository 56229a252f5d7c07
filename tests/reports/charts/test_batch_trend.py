"""What a panel of batches draws, read back from its SVG. Every place is *by hand*."""

from __future__ import annotations

from xml.etree import ElementTree

import pytest

from pipelines.figure import Figure
from reports.charts import TrendStep, trend_panel
from reports.charts.batch_trend import trend_words
from reports.charts.theme import BLUE, GREY

SVG = "{http://www.w3.org/2000/svg}"


def share(estimate: float | None, lower: float | None, upper: float | None, *flags: str, n: int = 100) -> Figure:
    return Figure("m", n, "rows", "wilson", estimate=estimate, lower=lower, upper=upper, flags=flags)


STEPS = [
    TrendStep("1", share(0.1, 0.05, 0.18)),
    TrendStep("3", share(0.0, 0.0, 0.037)),
    TrendStep("4", share(None, None, None, "too_few", n=0)),
    TrendStep("7", share(0.1, 0.02, 0.9, "too_few", n=4)),
]


def panel(steps: list[TrendStep] = STEPS) -> ElementTree.Element:
    return ElementTree.fromstring(trend_panel(steps, "p", top=0.2, axis_title="Intake").svg)


def dots(drawn: ElementTree.Element) -> list[ElementTree.Element]:
    """Paths that carry both a fill and a stroke."""
    return [
        node
        for node in drawn.iter(f"{SVG}path")
        if node.get("stroke") in (BLUE, GREY) and node.get("fill") and node.get("stroke-width") == "2"
    ]


def test_a_place_a_batch_and_none_where_nothing_is_counted() -> None:
    """Four places over 318 pixels, the middle of each; the axis reaches to 20% over 128 pixels."""
    places = [node.get("transform", "").split("(")[1].rstrip(")").split(",") for node in dots(panel())]
    assert [(float(x), float(y)) for x, y in places] == [(39.75, 64), (119.25, 128), (278.25, 64)]


def test_too_few_is_grey_and_open_and_none_seen_is_open() -> None:
    assert [(node.get("stroke"), node.get("fill")) for node in dots(panel())] == [
        (BLUE, BLUE),
        (BLUE, "#ffffff"),
        (GREY, "#ffffff"),
    ]


def test_an_interval_is_cut_at_the_top() -> None:
    (rule,) = (node for node in panel().iter(f"{SVG}line") if node.get("stroke") == GREY)
    start = float(rule.get("transform", "").rstrip(")").split(",")[1])
    assert rule.get("stroke-dasharray") == "3,2"
    assert (start, start + float(rule.get("y2", "nan"))) == (pytest.approx(115.2), pytest.approx(0))


def test_every_batch_is_named_and_the_last_has_its_share() -> None:
    texts = ["".join(node.itertext()) for node in panel().iter(f"{SVG}text")]
    assert {"1", "3", "4", "7", "Intake"} <= set(texts)
    assert texts.count("10.0%") == 1
    alone = ["".join(node.itertext()) for node in panel(STEPS[2:3]).iter(f"{SVG}text")]
    assert "none counted" in alone


def test_the_words_tell_every_batch() -> None:
    words = trend_words("Site A: rows held back", STEPS)
    assert "intake 1: 10.0% (95% interval 5.0% to 18.0%)" in words
    assert "intake 4: none counted; intake 7: 10.0% (95% interval 2.0% to 90.0%), too few" in words
