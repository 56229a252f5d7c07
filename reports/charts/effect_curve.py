"""A ratio along a number, such as age, as a curve with its band, over the distribution of the people."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from pipelines.figure import Figure

from .ratio_plot import two_digits
from .svg import Drawing, draw
from .theme import BLUE, INK, QUIET, SIZE, SMALL_SIZE, layer_of, pixels, themed

_BARS = 46
_TICKS = (0.05, 0.1, 0.2, 0.3, 0.5, 0.7, 1.0, 1.5, 2.0, 3.0, 5.0, 10.0, 20.0)


def effect_curve(
    curve: Sequence[tuple[float, Figure]],
    people: Sequence[tuple[float, int]],
    name: str,
    axis_title: str,
    *,
    narrow: bool = False,
) -> Drawing:
    """Draw the curve where it is known, and bars of people under it.

    curve: value and its ratio, ascending. people: value and how many have it, also where there is no curve.
    """
    import altair as alt

    width, height = (290, 210) if narrow else (520, 250)
    limits = [limit for _, figure in curve for limit in (figure.lower, figure.upper) if limit]
    low = max((tick for tick in _TICKS if tick <= min(limits)), default=_TICKS[0])
    high = min((tick for tick in _TICKS if tick >= max(limits)), default=_TICKS[-1])
    ends = [min(value for value, _ in people), max(value for value, _ in people)]
    ticks = [tick for tick in _TICKS if low <= tick <= high]
    x = alt.X(
        "x:Q",
        scale=alt.Scale(domain=ends, nice=False, zero=False),
        axis=alt.Axis(title=axis_title, grid=False, tickMinStep=10 if not narrow else 20),
    )
    y = alt.Y(
        "y:Q",
        scale=alt.Scale(type="log", domain=[low, high], nice=False),
        axis=alt.Axis(values=ticks, format="~g", title="Hazard ratio"),
    )
    most = max(count for _, count in people)
    floor = height + _BARS + 34
    bars = [{"x": value, "bar": floor, "top": floor - _BARS * count / most} for value, count in people]
    points = [
        {"x": value, "y": figure.estimate, "lower": figure.lower, "upper": figure.upper} for value, figure in curve
    ]
    middle = curve[-1]
    layers = [
        layer_of("corner").mark_point(opacity=0).encode(x=x, y=y),
        layer_of("one")
        .mark_rule(color=INK, strokeWidth=1.1)
        .encode(x=pixels(alt.XValue, 0), x2=pixels(alt.X2Value, width), y=alt.Y("y:Q")),
        layer_of("points")
        .mark_area(opacity=0.18, color=BLUE, clip=True)
        .encode(x=alt.X("x:Q"), y=alt.Y("lower:Q"), y2=alt.Y2("upper")),
        layer_of("points").mark_line(color=BLUE, strokeWidth=2.1, clip=True).encode(x=alt.X("x:Q"), y=alt.Y("y:Q")),
        *(
            layer_of(f"bar{number}")
            .mark_rule(color=QUIET, strokeWidth=4 if not narrow else 2.5, opacity=0.55)
            .encode(x=alt.X("x:Q"), y=pixels(alt.YValue, bar["bar"]), y2=pixels(alt.Y2Value, bar["top"]))
            for number, bar in enumerate(bars)
        ),
        layer_of("corner")
        .mark_text(align="right", baseline="bottom", fontSize=SMALL_SIZE, color=QUIET, text="patients")
        .encode(x=pixels(alt.XValue, width), y=pixels(alt.YValue, floor - 8)),
        layer_of("end")
        .mark_text(align="left", dx=8, fontSize=SIZE, color=BLUE)
        .encode(x=alt.X("x:Q"), y=alt.Y("y:Q"), text=alt.Text("text:N")),
    ]
    tables: dict[str, list[dict[str, Any]]] = {
        "corner": [{"x": ends[0], "y": low}],
        "one": [{"y": 1.0}],
        "points": points,
        "end": [{"x": middle[0], "y": middle[1].estimate, "text": two_digits(middle[1].estimate or 1.0)}],
        **{f"bar{number}": [{"x": bar["x"]}] for number, bar in enumerate(bars)},
    }
    padding = {"left": 60, "right": 18, "top": 10, "bottom": _BARS + 44}
    return draw(themed(layers, tables, width=width, height=height, padding=padding), name)
