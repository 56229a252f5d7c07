"""What the charts over time draw, read back from their SVG."""

from __future__ import annotations

from xml.etree import ElementTree

import pytest

from pipelines.estimators.surveillance import cusum_path, expected_minus_observed, moving_average
from reports.charts.cusum_chart import (
    cusum_chart,
    cusum_words,
    expected_minus_observed_chart,
    expected_minus_observed_words,
    moving_average_chart,
)
from reports.charts.svg import Drawing
from reports.charts.theme import VERMILLION
from tests.reports.charts.drawn import SVG, texts

PATH = cusum_path([1.0, 1.5, 1.0, -3.0, 1.0, 1.0, 1.0], limit=2.5, restarts=[5])
OUTCOMES, RISKS = [0, 1, 0, 0, 1, 0], [0.2, 0.3, 0.1, 0.2, 0.4, 0.1]
TICKS = [(0, "2024"), (3, "2025")]


def alarms(found: Drawing) -> int:
    nodes = ElementTree.fromstring(found.svg).iter(f"{SVG}path")
    return sum(node.get("fill") == VERMILLION for node in nodes)


@pytest.mark.parametrize("narrow", [False, True])
def test_cusum_marks_alarms_and_restarts(narrow: bool) -> None:
    found = cusum_chart(PATH, "cusum", ticks=TICKS, narrow=narrow)
    assert alarms(found) == 1
    assert {"limit 2.5", "set to 0", "2024", "2025", "CUSUM"} <= set(texts(found))
    plain = cusum_chart(cusum_path([0.1, 0.2], 2.0), "cusum", ticks=TICKS, narrow=narrow)
    assert alarms(plain) == 0
    assert "set to 0" not in texts(plain)


def test_words_say_what_comes_by_chance() -> None:
    """By hand: the second case reaches the limit; the sixth starts anew."""
    said = cusum_words(PATH, "swelling", run_length=1000)
    assert "over 7 sessions" in said
    assert "alarms at session 2; set to 0 by hand before session 6" in said
    assert "By chance alone an alarm comes about once in 1,000 sessions." in said
    assert "no alarm" in cusum_words(cusum_path([0.1], 2.0), "swelling", run_length=1000)


@pytest.mark.parametrize("narrow", [False, True])
def test_expected_less_observed(narrow: bool) -> None:
    """By hand: 1.3 expected, 2 seen: 0.7 more."""
    path = expected_minus_observed(OUTCOMES, RISKS)
    found = texts(expected_minus_observed_chart(path, "e", ticks=TICKS, narrow=narrow))
    assert {"0.7 more events", "as expected", "95%"} <= set(found)
    assert "at the end 0.7 more than expected; 95% limits there" in expected_minus_observed_words(path, "swelling")


def test_moving_average() -> None:
    found = texts(moving_average_chart(moving_average(OUTCOMES, RISKS), "m", ticks=TICKS))
    assert {"observed", "expected", "99.8%"} <= set(found)


def test_the_same_case_gives_the_same_drawing() -> None:
    assert cusum_chart(PATH, "c", ticks=TICKS) == cusum_chart(PATH, "c", ticks=TICKS)


def test_no_case_is_no_chart() -> None:
    with pytest.raises(ValueError, match="at least one case"):
        cusum_chart(cusum_path([], 1.0), "c", ticks=[])
