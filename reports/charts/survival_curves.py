"""The chance of an event over time as step curves with their intervals, the numbers at risk under the axis."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from pipelines.figure import Figure
from registry import durations

from .. import wording
from .svg import Drawing, draw
from .theme import FAINT, GREY, INK, QUIET, SMALL_SIZE, layer_of, pixels, themed

_UNDER_AXIS, _ROW = 44, 15
_MARKS = 20
_TOPS = (0.04, 0.08, 0.12, 0.2, 0.4, 0.6, 0.8, 1.0)
_DAYS_A_YEAR = 365.25

Point = dict[str, Any]


@dataclass(frozen=True)
class Size:
    """Of a panel, in pixels. left: room for the labels of the rows under the axis."""

    width: int
    height: int
    left: int


SMALL, LARGE = Size(300, 168, 78), Size(560, 320, 176)


@dataclass(frozen=True)
class Curve:
    """One curve of a panel.

    label: written at its end and beside its numbers at risk.
    figures: one a day, ascending, with estimate and limits from 0 to 1; without an estimate nothing is drawn.
    colour, dashed: what tells it from the others, by colour and by shape.
    """

    label: str
    figures: Sequence[Figure]
    colour: str
    dashed: bool = False


def curve_panel(
    curves: Sequence[Curve], name: str, *, years: Sequence[int], top: float, axis_title: str, size: Size = SMALL
) -> Drawing:
    """Draw one panel. Curves end with their follow-up; where a figure rests on too few they turn grey.

    Ticks on a curve show where observation ended without an event: one each time another twentieth of those counted
    has left (`MARK_WORDS`).

    years: where the axis is marked and the numbers at risk stand, ascending.
    top: end of the axis of shares, the same for all panels that are read side by side (`common_top`).
    """
    import altair as alt

    x, y = _axes(years, top, axis_title)
    points = [point for curve in curves for point in _points(curve)]
    marks = [mark for curve in curves for mark in censor_marks(curve)]
    texts = [*_end_labels(curves, points, top, size), *_at_risk_rows(curves, years, size)]
    if not points:
        texts.append(_text("nobody followed", years[-1] / 2, size.height / 2, "center", QUIET))
    for text in texts:
        text["height"] = top * (1 - text["height"] / size.height)  # a text stands at a share, which may be off the axis
    colour = alt.Color("colour:N", scale=None)
    under = size.height + _UNDER_AXIS
    layers = [
        layer_of("corner").mark_point(opacity=0).encode(x=x, y=y),
        layer_of("corner")
        .mark_rule(color=FAINT)
        .encode(
            x=pixels(alt.XValue, 8 - size.left),
            x2=pixels(alt.X2Value, size.width + 12),
            y=pixels(alt.YValue, under - 8),
        ),
        layer_of("points")
        .mark_area(interpolate="step-after", opacity=0.16, clip=True)
        .encode(x=alt.X("year:Q"), y=alt.Y("lower:Q"), y2=alt.Y2("upper"), color=colour, detail=alt.Detail("run:N")),
        *(
            layer_of("points", f"datum.dashed === {str(dashed).lower()}")
            .mark_line(interpolate="step-after", strokeWidth=1.9, strokeDash=dash, clip=True)
            .encode(x=alt.X("year:Q"), y=alt.Y("estimate:Q"), color=colour, detail=alt.Detail("run:N"))
            for dashed, dash in ((False, [1, 0]), (True, [7, 2]))
        ),
        layer_of("marks")
        .mark_tick(orient="vertical", size=7, thickness=1.1, clip=True)
        .encode(x=alt.X("year:Q"), y=alt.Y("estimate:Q"), color=colour),
        layer_of("texts", "datum.align === 'right'")
        .mark_text(align="right", baseline="middle", fontSize=SMALL_SIZE, stroke="#ffffff", strokeWidth=3, opacity=0.85)
        .encode(x=alt.X("year:Q"), y=alt.Y("height:Q"), text=alt.Text("text:N"), color=alt.ColorValue("#ffffff")),
        *(
            layer_of("texts", f"datum.align === '{align}'")
            .mark_text(align=align, baseline="middle", fontSize=SMALL_SIZE)
            .encode(
                x=pixels(alt.XValue, 8 - size.left) if align == "left" else alt.X("year:Q"),
                y=alt.Y("height:Q"),
                text=alt.Text("text:N"),
                color=colour,
            )
            for align in ("left", "center", "right")
        ),
    ]
    bottom = _UNDER_AXIS + _ROW * (len(curves) + 1) + 4
    chart = themed(
        layers,
        {"corner": [{"year": 0, "estimate": 0}], "points": points, "marks": marks, "texts": texts},
        width=size.width,
        height=size.height,
        padding={"left": size.left, "right": 16, "top": 10, "bottom": bottom},
    )
    return draw(chart, name)


def panel_words(title: str, curves: Sequence[Curve], years: Sequence[int]) -> str:
    """The text alternative of a panel: each curve at the marked years."""
    parts = []
    for curve in curves:
        at = {figure.at: figure for figure in curve.figures}
        values = [
            f"{wording.estimate_words(figure)} at {wording.counted(year, 'year')}"
            for year in years
            if year and (figure := at.get(durations.years(year)))
        ]
        parts.append(f"{curve.label}: {', '.join(values) or 'nobody followed'}")
    told = ". ".join(parts)
    return f"Step curves, {title}. {told}. {MARK_WORDS} The table gives the same numbers with their intervals."


def common_top(figures: Sequence[Figure]) -> float:
    """An end of the axis of shares that holds every estimate, and every interval that does not rest on too few."""
    heights = [f.estimate for f in figures if f.estimate is not None]
    heights += [f.upper for f in figures if f.upper is not None and "too_few" not in f.flags]
    return next(top for top in _TOPS if top >= min(1.0, max(heights, default=0.2)))


def _axes(years: Sequence[int], top: float, title: str) -> tuple[Any, Any]:
    import altair as alt

    ticks = [round(top * part / 4, 6) for part in range(5)]
    x = alt.X(
        "year:Q",
        scale=alt.Scale(domain=[0, years[-1]], nice=False),
        axis=alt.Axis(values=list(years), format="d", title=title, titlePadding=5, grid=False),
    )
    y = alt.Y(
        "estimate:Q",
        scale=alt.Scale(domain=[0, top], nice=False),
        axis=alt.Axis(values=ticks, format=".0%", title=None, domain=False, ticks=False),
    )
    return x, y


def _points(curve: Curve) -> Iterator[Point]:
    """The points to draw, in runs that rest on enough or on too few; each run begins where the one before ends."""
    run, few = 0, None
    last: Point = {}
    for figure in curve.figures:
        if figure.estimate is None or figure.at is None:
            continue
        year = figure.at / _DAYS_A_YEAR
        now = "too_few" in figure.flags
        if few is not None and now != few:
            yield {**last, "year": year}  # the step lasts until the next point
            run += 1
        few = now
        last = {
            "year": year,
            "estimate": figure.estimate,
            "lower": figure.estimate if figure.lower is None else figure.lower,
            "upper": figure.estimate if figure.upper is None else figure.upper,
            "colour": GREY if few else curve.colour,
            "dashed": curve.dashed,
            "run": f"{curve.label} {run}",
            "curve": curve.label,
        }
        yield last


MARK_WORDS = "A tick on a curve: observation ended for another twentieth of those counted."


def censor_marks(curve: Curve) -> Iterator[Point]:
    """A point each time another twentieth of those counted has left observation without the event.

    Read from consecutive figures: who is at risk no more, and had no event, has left. With delayed entry those who
    enter hide as many of those who leave.
    """
    left, before, events, marks = 0, None, 0, 0
    for figure in curve.figures:
        if figure.estimate is None or figure.at is None or figure.at_risk is None:
            continue
        happened = figure.events or 0
        if before is None:
            before = figure.n
        left += max(before - figure.at_risk - (happened - events), 0)
        before, events = figure.at_risk, happened
        due = left * _MARKS // figure.n if figure.n >= _MARKS else left
        if due > marks:
            marks = due
            colour = GREY if "too_few" in figure.flags else curve.colour
            yield {"year": figure.at / _DAYS_A_YEAR, "estimate": figure.estimate, "colour": colour}


def _end_labels(curves: Sequence[Curve], points: Sequence[Point], top: float, size: Size = SMALL) -> Iterator[Point]:
    """One label a curve near its end, the lowest curve's below it and the others' above."""
    ends = []
    for curve in curves:
        own = [point for point in points if point["curve"] == curve.label]
        if own and own[-1]["year"] > 0:
            colour = curve.colour if any(point["colour"] == curve.colour for point in own) else GREY
            ends.append((own[-1]["estimate"], own[-1]["year"], curve.label, colour))
    free_above = float(size.height - 7)  # pixels from the top: each label stands clear of the one below it
    for place, (estimate, year, label, colour) in enumerate(sorted(ends, key=lambda end: end[0])):
        height = size.height * (1 - estimate / top)
        below = place == 0 and len(ends) > 1
        at = max(4.0, min(free_above, height + 13 if below else height - 10))
        free_above = at - 13
        yield _text(label, max(year, 1.8), at, "right", colour)


def _at_risk_rows(curves: Sequence[Curve], years: Sequence[int], size: Size) -> Iterator[Point]:
    start = size.height + _UNDER_AXIS + 2
    yield _text("At risk", 0, start, "left", QUIET)
    rows = [(curve.label, curve.colour, {figure.at: figure.at_risk for figure in curve.figures}) for curve in curves]
    if len(rows) > 1 and all(at == rows[0][2] for _, _, at in rows):
        rows = [("Patients", INK, rows[0][2])]  # causes that end one wait
    for row, (label, colour, at) in enumerate(rows, start=1):
        height = start + _ROW * row
        counts = [(year, n) for year in years if (n := at.get(durations.years(year))) is not None]
        if any(n > 999 for _, n in counts) and size == SMALL:
            counts = [(year, n) for year, n in counts if year not in (1, 3)]  # longer numbers need their room
        yield _text(label, 0, height, "left", colour)
        for year, n in counts:
            yield _text(wording.whole(n), year, height, "center", INK)


def _text(text: str, year: float, height: float, align: str, colour: str) -> Point:
    """Text at a year and at a height in pixels below the top of the plot; aligned left it stands in the margin."""
    return {"text": text, "year": year, "height": height, "align": align, "colour": colour}
