"""A control chart: points in their order, the centre, the limits, and the points that a rule marks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from .svg import Drawing, draw
from .theme import BLUE, FAINT, INK, QUIET, SMALL_SIZE, VERMILLION, layer_of, pixels, themed

_WIDTH, _HEIGHT = 620, 260
_LEFT, _RIGHT, _UNDER = 62, 74, 52
_MOST_LABELS = 9


@dataclass(frozen=True)
class ControlPoint:
    """One point. label: written under the axis. rule: `beyond`, `shift` or empty."""

    label: str
    value: float
    lower: float | None
    upper: float | None
    rule: str = ""


def control_chart(
    points: Sequence[ControlPoint], name: str, *, centre: float, axis_title: str, percent: bool, under_title: str
) -> Drawing:
    """Draw the points joined, the centre dashed, the limits as steps, with marked points of another shape and colour.

    percent: whether values are shares. centre: labelled at the right end.
    """
    import altair as alt

    highest = max([point.value for point in points] + [point.upper or 0.0 for point in points]) or 1.0
    top = highest * 1.06
    x = alt.X("place:Q", scale=alt.Scale(domain=[0, len(points)], nice=False), axis=None)
    number = (".1%" if top < 0.1 else ".0%") if percent else (",.2f" if top < 1 else ",.0f" if top > 10 else ",.1f")
    y = alt.Y(
        "value:Q",
        scale=alt.Scale(domain=[0, top], nice=False),
        axis=alt.Axis(format=number, title=axis_title, tickCount=5),
    )
    drawn = [_drawn(point, place) for place, point in enumerate(points)]
    steps = [
        {"place": place + side, "lower": point.lower, "upper": point.upper}
        for place, point in enumerate(points)
        for side in (0, 1)
    ]
    every = -(-len(points) // _MOST_LABELS)
    under = [{"place": place + 0.5, "text": point.label} for place, point in enumerate(points) if place % every == 0]
    layers: list[Any] = [
        layer_of("corner").mark_point(opacity=0).encode(x=x, y=y),
        layer_of("corner")
        .mark_rule(color=QUIET, strokeWidth=0.75)
        .encode(x=pixels(alt.XValue, 0), x2=pixels(alt.X2Value, _WIDTH), y=pixels(alt.YValue, _HEIGHT)),
        *(
            layer_of("steps", f"isValid(datum.{limit})")
            .mark_line(color=QUIET, strokeWidth=1, clip=True)
            .encode(x=x, y=alt.Y(f"{limit}:Q"))
            for limit in ("lower", "upper")
        ),
        layer_of("centre")
        .mark_rule(color=INK, strokeWidth=1.25, strokeDash=[5, 3])
        .encode(x=pixels(alt.XValue, 0), x2=pixels(alt.X2Value, _WIDTH), y=y),
        layer_of("centre")
        .mark_text(align="left", baseline="middle", color=INK, fontSize=SMALL_SIZE)
        .encode(x=pixels(alt.XValue, _WIDTH + 6), y=y, text=alt.Text("text:N")),
        layer_of("drawn").mark_line(color=FAINT, strokeWidth=1.25).encode(x=x, y=y),
        *(
            layer_of("drawn", f"datum.rule === '{rule}'")
            .mark_point(shape=shape, size=size, strokeWidth=1.75, opacity=1, color=colour, fill=fill)
            .encode(x=x, y=y)
            for rule, shape, size, colour, fill in (
                ("", "circle", 30, BLUE, BLUE),
                ("shift", "square", 46, VERMILLION, "#ffffff"),
                ("beyond", "triangle-up", 90, VERMILLION, VERMILLION),
            )
        ),
        layer_of("under")
        .mark_text(align="center", baseline="middle", color=INK, fontSize=SMALL_SIZE)
        .encode(x=x, y=pixels(alt.YValue, _HEIGHT + 14), text=alt.Text("text:N")),
        layer_of("corner")
        .mark_text(align="center", baseline="middle", color=QUIET, fontSize=SMALL_SIZE, text=under_title)
        .encode(x=pixels(alt.XValue, _WIDTH / 2), y=pixels(alt.YValue, _HEIGHT + 36)),
    ]
    word = f"{centre:.1%}" if percent and centre >= 0.01 else f"{centre:.2%}" if percent else f"{centre:,.3g}"
    chart = themed(
        layers,
        {
            "corner": [{"place": 0, "value": 0}],
            "steps": steps,
            "centre": [{"value": centre, "text": word}],
            "drawn": drawn,
            "under": under,
        },
        width=_WIDTH,
        height=_HEIGHT,
        padding={"left": _LEFT, "right": _RIGHT, "top": 12, "bottom": _UNDER},
    )
    return draw(chart, name)


def _drawn(point: ControlPoint, place: int) -> dict[str, Any]:
    return {"place": place + 0.5, "value": point.value, "rule": point.rule}
