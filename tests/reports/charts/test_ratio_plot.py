"""What the charts of a model draw, read back from their SVG."""

from __future__ import annotations

from xml.etree import ElementTree

import pytest

from pipelines.figure import Figure
from reports.charts.calibration_plot import calibration_plot
from reports.charts.effect_curve import effect_curve
from reports.charts.ratio_plot import RatioRow, ratio_plot, ratio_words
from reports.charts.ratio_plot import _axis as axis
from reports.charts.svg import Drawing
from reports.charts.theme import GREY

SVG = "{http://www.w3.org/2000/svg}"


def ratio(estimate: float, lower: float, upper: float, *flags: str) -> Figure:
    return Figure("m", 100, "patients", "cox", estimate=estimate, lower=lower, upper=upper, flags=flags)


ROWS = [
    RatioRow("Sex, against male"),
    RatioRow("Female", ratio(0.5, 0.25, 1.0)),
    RatioRow("Intersex", ratio(2.0, 0.001, 900.0, "too_few")),
]


def texts(drawing: Drawing) -> list[str]:
    return ["".join(node.itertext()) for node in ElementTree.fromstring(drawing.svg).iter(f"{SVG}text")]


def dots(drawing: Drawing) -> list[tuple[float, float]]:
    """Places of the marks that carry a fill and a stroke of their own."""
    found = []
    for node in ElementTree.fromstring(drawing.svg).iter(f"{SVG}path"):
        place = node.get("transform", "")
        if place.startswith("translate(") and node.get("stroke-width") == "2" and node.get("fill"):
            x, y = place.removeprefix("translate(").rstrip(")").split(",")
            found.append((float(x), float(y)))
    return found


@pytest.mark.parametrize("narrow", [False, True])
def test_every_row_stands_in_words_and_numbers(narrow: bool) -> None:
    found = texts(ratio_plot(ROWS, "name", "Hazard ratio", narrow=narrow))
    assert "Sex, against male" in found
    assert "0.50 (0.25 to 1.00)" in found
    assert any(text.startswith("2.00 (below 0.01 to above 100), too few") for text in found)


def test_the_axis_is_logarithmic() -> None:
    """By hand: a half and double lie as far to either side of 1."""
    rows = [RatioRow(name, ratio(value, value * 0.9, value * 1.1)) for name, value in (("a", 0.5), ("b", 1), ("c", 2))]
    half, one, double = (x for x, _ in dots(ratio_plot(rows, "name", "Hazard ratio")))
    assert one - half == pytest.approx(double - one, abs=0.01)
    assert half < one < double


def test_what_rests_on_too_few_is_grey() -> None:
    assert GREY in ratio_plot(ROWS, "name", "Hazard ratio").svg
    assert GREY not in ratio_plot(ROWS[:2], "name", "Hazard ratio").svg


def test_an_unsure_ratio_does_not_stretch_the_axis_without_end() -> None:
    assert axis(ROWS) == (0.05, 20.0)
    assert axis(ROWS[:2]) == (0.2, 2.0)
    assert axis([]) == (0.5, 2.0)


def test_words_tell_every_row() -> None:
    words = ratio_words(ROWS, "ratios")
    assert "Sex, against male, Female: 0.50 (0.25 to 1.00)" in words


def test_the_curve_ends_with_its_value() -> None:
    curve = [(float(age), ratio(1 + age / 100, 0.9, 2.0)) for age in range(20, 41)]
    drawing = effect_curve(curve, [(float(age), 5) for age in range(18, 70)], "age", "Age, years")
    assert "1.40" in texts(drawing)
    assert "Age, years" in texts(drawing)


def test_calibration_has_a_dot_for_each_group_that_was_seen() -> None:
    pairs = [
        (
            Figure("p", 9, "patients", "m", estimate=share),
            Figure("o", 9, "patients", "m", estimate=seen, lower=0.0, upper=0.5),
        )
        for share, seen in ((0.1, 0.12), (0.2, 0.18), (0.3, None))
    ]
    assert len(dots(calibration_plot(pairs, "name"))) == 2
