"""What an interval plot draws, read back from its SVG."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import pytest

from pipelines.figure import Figure
from reports.charts import IntervalRow, interval_plot
from reports.charts.interval_plot import _axis, plot_words
from reports.charts.theme import BLUE, GREY

SVG = "{http://www.w3.org/2000/svg}"


def figure(estimate: float | None, lower: float | None, upper: float | None, n: int = 100, **fields: object) -> Figure:
    return Figure("m", n, "sessions", "wilson", estimate=estimate, lower=lower, upper=upper, **fields)  # type: ignore[arg-type]


def marks(svg: str, kind: str) -> int:
    """How many marks of a kind are drawn."""
    groups = [node for node in ElementTree.fromstring(svg).iter(f"{SVG}g") if kind in node.get("class", "").split()]
    return sum(len(group) for group in groups)


SEEN = figure(0.1, 0.05, 0.18, events=10)
NONE_SEEN = figure(0.0, 0.0, 0.037, events=0)
FEW = figure(0.5, 0.1, 0.9, n=4, events=2, flags=("too_few",))
NOBODY = figure(None, None, None, n=0, events=0, flags=("too_few",))


def texts(svg: str) -> list[str]:
    return ["".join(node.itertext()) for node in ElementTree.fromstring(svg).iter(f"{SVG}text")]


def symbols(svg: str) -> list[ElementTree.Element]:
    """The dots: paths that carry both a fill and a stroke."""
    return [
        node
        for node in ElementTree.fromstring(svg).iter(f"{SVG}path")
        if node.get("stroke") in (BLUE, GREY) and node.get("fill") and node.get("stroke-width") == "2"
    ]


@pytest.mark.parametrize("narrow", [False, True])
def test_every_row_says_its_share_and_its_denominator(narrow: bool) -> None:
    rows = [IntervalRow("By site"), *(IntervalRow(f"r{k}", f) for k, f in enumerate([SEEN, NONE_SEEN, FEW, NOBODY]))]
    written = texts(interval_plot(rows, "p", "Share", narrow=narrow).svg)
    assert {"By site", "r0", "r1", "r2", "r3"} <= set(written)
    assert "10.0% (5.0% to 18.0%)" in written
    assert "none seen: below 3.7%" in written
    assert "none counted" in written
    assert {"10 of 100 sessions", "0 of 100 sessions", "2 of 4 sessions, too few", "0 sessions"} <= set(written)


def test_nothing_is_drawn_where_nobody_is_counted() -> None:
    assert len(symbols(interval_plot([IntervalRow("a", SEEN)], "p", "Share").svg)) == 1
    assert symbols(interval_plot([IntervalRow("a", NOBODY)], "p", "Share").svg) == []


def test_no_event_has_an_open_dot_at_zero() -> None:
    (dot,) = symbols(interval_plot([IntervalRow("a", NONE_SEEN)], "p", "Share").svg)
    assert dot.get("fill") == "#ffffff"
    place = re.match(r"translate\(([\d.]+),", dot.get("transform", ""))
    assert place is not None
    assert float(place[1]) == 0


def test_too_few_is_grey_dashed_and_open() -> None:
    svg = interval_plot([IntervalRow("a", FEW)], "p", "Share").svg
    (dot,) = symbols(svg)
    assert (dot.get("stroke"), dot.get("fill")) == (GREY, "#ffffff")
    rules = [node for node in ElementTree.fromstring(svg).iter(f"{SVG}line") if node.get("stroke") == GREY]
    assert [rule.get("stroke-dasharray") for rule in rules] == ["3,2"]


def test_the_place_of_a_dot_is_its_share() -> None:
    """*By hand*: the axis reaches to 20% over 340 pixels, so 10% lies at 170."""
    (dot,) = symbols(interval_plot([IntervalRow("a", SEEN)], "p", "Share").svg)
    assert dot.get("transform", "").startswith("translate(170,")


def test_a_root_axis_shows_a_rare_event_beside_a_common_one() -> None:
    """*By hand*: the axis reaches to 50% over 340 pixels, so 0.5% lies at a tenth of them, and a bound of 0.17% ends
    20 pixels from 0, well outside the dot."""
    rare, common = figure(0.005, 0.003, 0.01, events=5), figure(0.47, 0.44, 0.495, events=47)
    rows = [IntervalRow("a", common), IntervalRow("b", rare), IntervalRow("c", figure(0.0, 0.0, 0.0017, events=0))]
    svg = interval_plot(rows, "p", "Share", root=True).svg
    places = sorted(float(re.findall(r"translate\(([\d.]+),", dot.get("transform", ""))[0]) for dot in symbols(svg))
    assert places[:2] == pytest.approx([0, 34], abs=0.2)
    bars = [node for node in ElementTree.fromstring(svg).iter(f"{SVG}line") if node.get("stroke") == BLUE]
    lengths = sorted(abs(float(bar.get("x2", 0))) for bar in bars)
    assert lengths[0] == pytest.approx(340 * (0.495**0.5 - 0.44**0.5) / 0.5**0.5, abs=0.2)  # the common one is shortest
    assert lengths[1] == pytest.approx(340 * (0.0017 / 0.5) ** 0.5, abs=0.2)
    assert {"0%", "0.5%", "2%", "50%"} <= set(texts(svg))


def test_a_benchmark_is_marked_and_within_the_axis() -> None:
    rows = [IntervalRow("a", SEEN, benchmark=0.4)]
    low, high, _ = _axis(rows, from_zero=True)
    assert (low, high) == (0.0, 0.4)
    strokes = [marks(interval_plot([row], "p", "Share").svg, "mark-rect") for row in (rows[0], IntervalRow("a", SEEN))]
    assert strokes == [1, 0]


@pytest.mark.parametrize(
    ("figures", "from_zero", "expected"),
    [
        ([SEEN], True, (0.0, 0.2)),
        ([figure(0.005, 0.002, 0.009)], True, (0.0, 0.01)),
        ([figure(0.92, 0.91, 0.93)], False, (0.8, 1.0)),  # at least 20 points wide, so that 1 point looks small
        ([figure(0.6, 0.41, 0.8)], False, (0.4, 1.0)),
        ([figure(1.02, 0.97, 1.07)], False, (0.85, 1.1)),
        ([NOBODY], True, (0.0, 0.1)),
        ([], True, (0.0, 0.1)),
    ],
)
def test_the_axis_holds_everything(figures: list[Figure], from_zero: bool, expected: tuple[float, float]) -> None:
    low, high, _ = _axis([IntervalRow("a", shown) for shown in figures], from_zero=from_zero)
    assert (low, high) == pytest.approx(expected)


def test_the_words_tell_every_row() -> None:
    words = plot_words([IntervalRow("By site"), IntervalRow("Site A", SEEN), IntervalRow("Site B", NOBODY)], "swelling")
    assert "By site, Site A: 10.0% (5.0% to 18.0%), 10 of 100 sessions" in words
    assert "By site, Site B: none counted, 0 sessions" in words


def test_a_name_is_never_markup() -> None:
    svg = interval_plot([IntervalRow("<script>&", SEEN)], "p", "Share").svg
    assert "<script>" not in svg
    assert "<script>&" in texts(svg)


def test_a_long_name_keeps_clear_of_the_numbers() -> None:
    name = "Site " + "M" * 24  # the longest that settings allow
    rows = [IntervalRow(name, SEEN)]
    wide, narrow = interval_plot(rows, "p", "Share"), interval_plot(rows, "p", "Share", narrow=True)
    assert name in texts(wide.svg)
    assert wide.width > interval_plot([IntervalRow("a", SEEN)], "p", "Share").width
    (shortened,) = (text for text in texts(narrow.svg) if text.startswith("Site M"))
    assert shortened.endswith("…")
    assert len(shortened) == 19
    assert name in plot_words(rows, "swelling")
