"""A share along a number, such as yield by density, as a curve with its band, over how many areas lie where."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from pipelines.figure import Figure

from .svg import Drawing, draw
from .theme import BLUE, INK, QUIET, SIZE, SMALL_SIZE, layer_of, pixels, themed

_BARS = 46
_STEP = 0.05


@dataclass(frozen=True)
class Mark:
    """An upright line with its limits as a shaded strip."""

    at: float
    lower: float
    upper: float


def yield_curve(
    curve: Sequence[tuple[float, Figure]],
    areas: Sequence[tuple[float, int]],
    name: str,
    axis_title: str,
    *,
    mark: Mark | None = None,
    dots: Sequence[tuple[float, Figure]] = (),
    narrow: bool = False,
) -> Drawing:
    """Draw the curve where it is known, and bars of areas under it.

    curve: value and its share, ascending. areas: value and how many have it, also where there is no curve. dots: shares
    to draw beside the curve, hollow where they rest on too few.
    """
    import altair as alt

    width, height = (290, 210) if narrow else (520, 250)
    numbers = [number for _, figure in (*curve, *dots) for number in (figure.lower, figure.estimate, figure.upper)]
    limits = [number for number in numbers if number is not None]
    low, high = math.floor(min(limits) / _STEP) * _STEP, math.ceil(max(limits) / _STEP) * _STEP
    ends = [min(value for value, _ in areas), max(value for value, _ in areas)]
    x = alt.X(
        "x:Q",
        scale=alt.Scale(domain=ends, nice=False, zero=False),
        axis=alt.Axis(title=axis_title, grid=False, tickCount=5 if narrow else 9),
    )
    y = alt.Y(
        "y:Q",
        scale=alt.Scale(domain=[max(low, 0.0), high if max(limits) > 1 else min(high, 1.0)], nice=False, zero=False),
        axis=alt.Axis(format=".0%", title="Share growing"),
    )
    most = max(count for _, count in areas)
    floor = height + _BARS + 44
    bars = [{"x": value, "bar": floor, "top": floor - _BARS * count / most} for value, count in areas]
    seen = [
        {"x": value, "y": figure.estimate, "fill": "#ffffff" if "too_few" in figure.flags else BLUE}
        for value, figure in dots
        if figure.estimate is not None
    ]
    points = [
        {"x": value, "y": figure.estimate, "lower": figure.lower, "upper": figure.upper} for value, figure in curve
    ]
    layers: list[Any] = [layer_of("corner").mark_point(opacity=0).encode(x=x, y=y)]
    if mark is not None:
        layers += [
            layer_of("mark")
            .mark_rect(opacity=0.12, color=INK, clip=True)
            .encode(x=alt.X("lower:Q"), x2=alt.X2("upper"), y=pixels(alt.YValue, 0), y2=pixels(alt.Y2Value, height)),
            layer_of("mark")
            .mark_rule(color=INK, strokeWidth=1.2, strokeDash=[5, 3], clip=True)
            .encode(x=alt.X("x:Q"), y=pixels(alt.YValue, 0), y2=pixels(alt.Y2Value, height)),
        ]
    layers += [
        layer_of("points")
        .mark_area(opacity=0.18, color=BLUE, clip=True)
        .encode(x=alt.X("x:Q"), y=alt.Y("lower:Q"), y2=alt.Y2("upper")),
        layer_of("points").mark_line(color=BLUE, strokeWidth=2.1, clip=True).encode(x=alt.X("x:Q"), y=alt.Y("y:Q")),
        layer_of("dots")
        .mark_point(size=34, strokeWidth=1.4, color=BLUE, opacity=1, clip=True)
        .encode(x=alt.X("x:Q"), y=alt.Y("y:Q"), fill=alt.Fill("fill:N", scale=None)),
        *(
            layer_of(f"bar{number}")
            .mark_rule(color=QUIET, strokeWidth=6 if not narrow else 3.5, opacity=0.55)
            .encode(x=alt.X("x:Q"), y=pixels(alt.YValue, bar["bar"]), y2=pixels(alt.Y2Value, bar["top"]))
            for number, bar in enumerate(bars)
        ),
        layer_of("corner")
        .mark_text(align="right", baseline="bottom", fontSize=SMALL_SIZE, color=QUIET, text="areas counted")
        .encode(x=pixels(alt.XValue, width), y=pixels(alt.YValue, floor - _BARS + 6)),
        layer_of("end")
        .mark_text(align="left", dx=8, fontSize=SIZE, color=BLUE)
        .encode(x=alt.X("x:Q"), y=alt.Y("y:Q"), text=alt.Text("text:N")),
    ]
    end = curve[-1]
    tables: dict[str, list[dict[str, Any]]] = {
        "corner": [{"x": ends[0], "y": max(low, 0.0)}],
        "points": points,
        "dots": seen,
        "end": [{"x": end[0], "y": end[1].estimate, "text": f"{end[1].estimate or 0:.0%}"}],
        "mark": [{"x": mark.at, "lower": mark.lower, "upper": mark.upper}] if mark else [],
        **{f"bar{number}": [{"x": bar["x"]}] for number, bar in enumerate(bars)},
    }
    padding = {"left": 60, "right": 18, "top": 10, "bottom": _BARS + 54}
    return draw(themed(layers, tables, width=width, height=height, padding=padding), name)
