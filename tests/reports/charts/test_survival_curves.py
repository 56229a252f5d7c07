"""What a panel of curves draws, read back from its SVG or from the points it is drawn from."""

from __future__ import annotations

from itertools import pairwise
from xml.etree import ElementTree

import pytest

from pipelines.figure import Figure
from registry import durations
from reports.charts import Curve, curve_panel
from reports.charts.survival_curves import _end_labels, _points, common_top, panel_words
from reports.charts.theme import BLUE, GREY

SVG = "{http://www.w3.org/2000/svg}"
YEARS = (0, 1, 2, 3, 5, 10)


def read(month: int, estimate: float | None, at_risk: int = 50, *flags: str) -> Figure:
    limits = (None, None) if estimate is None else (max(0.0, estimate - 0.05), min(1.0, estimate + 0.05))
    return Figure(
        "next_session_probability",
        60,
        "patients",
        "kaplan_meier_loglog",
        at=durations.months(month),
        estimate=estimate,
        lower=limits[0],
        upper=limits[1],
        at_risk=at_risk,
        flags=flags,
    )


FIRM = [read(month, month / 200) for month in range(25)]
FEW = [read(month, 0.125, 4, "too_few") for month in range(25, 37)]
BEYOND = [read(month, None, 0, "beyond_follow_up") for month in range(37, 121)]


def texts(svg: str) -> list[str]:
    return ["".join(node.itertext()) for node in ElementTree.fromstring(svg).iter(f"{SVG}text")]


def test_nothing_is_drawn_beyond_follow_up() -> None:
    points = list(_points(Curve("here", [*FIRM, *FEW, *BEYOND], BLUE)))
    assert max(point["year"] for point in points) == pytest.approx(durations.months(36) / 365.25)


def test_where_too_few_are_followed_the_curve_is_grey_without_a_gap() -> None:
    points = list(_points(Curve("here", [*FIRM, *FEW], BLUE)))
    firm = [point for point in points if point["colour"] == BLUE]
    grey = [point for point in points if point["colour"] == GREY]
    assert len({point["run"] for point in firm}) == len({point["run"] for point in grey}) == 1
    assert firm[-1]["year"] == grey[0]["year"]
    assert firm[-1]["estimate"] == FIRM[-1].estimate  # the step lasts until the first grey point


def test_runs_join_wherever_they_change() -> None:
    points = list(_points(Curve("here", [FIRM[0], FEW[0], read(26, 0.2), read(27, 0.3, 3, "too_few")], BLUE)))
    runs = list(dict.fromkeys(point["run"] for point in points))
    assert len(runs) == 4
    for before, after in pairwise(runs):
        ends = [point["year"] for point in points if point["run"] == before][-1]
        assert ends == next(point["year"] for point in points if point["run"] == after)


def test_numbers_at_risk_stand_under_their_years() -> None:
    """Text under the axis has the same place across as the tick of its year (*by hand*: 30 pixels a year)."""
    svg = curve_panel([Curve("here", FIRM, BLUE)], "p", years=YEARS, top=0.2, axis_title="Years").svg
    places = {
        "".join(node.itertext()): node.get("transform", "")
        for node in ElementTree.fromstring(svg).iter(f"{SVG}text")
        if "".join(node.itertext()) == "50"
    }
    assert places["50"].startswith("translate(60")  # the last of the equal texts: year 2
    assert texts(svg).count("50") == 3  # at 0, 1 and 2 years; later nothing is known
    assert "At risk" in texts(svg)


def test_long_numbers_leave_room() -> None:
    many = [read(month, 0.1, 1234) for month in range(121)]
    written = texts(curve_panel([Curve("here", many, BLUE)], "p", years=YEARS, top=0.2, axis_title="Years").svg)
    assert written.count("1,234") == 4  # at 0, 2, 5 and 10 years


def test_a_panel_without_anybody_says_so() -> None:
    svg = curve_panel([Curve("here", BEYOND, BLUE)], "p", years=YEARS, top=0.2, axis_title="Years").svg
    assert "nobody followed" in texts(svg)
    assert "nobody followed" not in texts(
        curve_panel([Curve("here", FIRM, BLUE)], "p", years=YEARS, top=0.2, axis_title="Years").svg
    )


def test_the_curve_of_two_is_told_by_dashes_too() -> None:
    curves = [Curve("here", FIRM, BLUE), Curve("anywhere", FIRM, "#D55E00", dashed=True)]
    svg = curve_panel(curves, "p", years=YEARS, top=0.2, axis_title="Years").svg
    lines = [n for n in ElementTree.fromstring(svg).iter(f"{SVG}path") if n.get("stroke") in (BLUE, "#D55E00")]
    assert {(line.get("stroke"), line.get("stroke-dasharray")) for line in lines} == {
        (BLUE, "1,0"),
        ("#D55E00", "7,2"),
    }


@pytest.mark.parametrize(
    ("figures", "top"),
    [
        ([], 0.2),
        ([read(12, 0.01)], 0.08),  # upper limit 6%
        ([read(12, 0.36)], 0.6),  # upper limit 41%
        ([read(12, 0.97)], 1.0),
        ([read(12, 0.1, 2, "too_few")], 0.12),  # an interval on too few does not stretch the axis
        (BEYOND, 0.2),
    ],
)
def test_the_common_axis_holds_what_can_be_read(figures: list[Figure], top: float) -> None:
    assert common_top(figures) == top


def test_the_words_tell_the_marked_years() -> None:
    words = panel_words("all ages", [Curve("here", [*FIRM, *FEW, *BEYOND], BLUE)], YEARS)
    assert "here: 6.0% at 1 year, 12.0% at 2 years, 12.5% at 3 years, beyond follow-up at 5 years" in words


@pytest.mark.parametrize("height", [0.0, 0.1, 0.19])
def test_labels_of_equal_curves_keep_apart(height: float) -> None:
    flat = [read(month, height) for month in range(13)]
    curves = [Curve("here", flat, BLUE), Curve("anywhere", flat, "#D55E00", dashed=True)]
    points = [point for curve in curves for point in _points(curve)]
    low, high = (label["height"] for label in _end_labels(curves, points, 0.2))
    assert low - high >= 12
    assert high >= 0
    assert low <= 168
