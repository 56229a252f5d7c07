"""What a model predicted beside what was seen, by group of patients."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from pipelines.figure import Figure

from .svg import Drawing, draw
from .theme import BLUE, GREY, QUIET, layer_of, themed

_TOPS = (0.1, 0.2, 0.4, 0.6, 0.8, 1.0)


def calibration_plot(pairs: Sequence[tuple[Figure, Figure]], name: str, *, narrow: bool = False) -> Drawing:
    """Draw one dot a group with the interval of what was seen; on the line, both are the same.

    pairs: predicted and seen, shares from 0 to 1. Those that rest on too few are grey and hollow.
    """
    import altair as alt

    side = 270 if narrow else 360
    highest = max(
        [predicted.estimate or 0 for predicted, _ in pairs] + [seen.upper or seen.estimate or 0 for _, seen in pairs]
    )
    top = next((top for top in _TOPS if highest <= top), 1.0)
    scale = alt.Scale(domain=[0, top], nice=False)
    ticks = [top * number / 4 for number in range(5)]
    x = alt.X("x:Q", scale=scale, axis=alt.Axis(title="Predicted", format=".0%", values=ticks))
    y = alt.Y("y:Q", scale=scale, axis=alt.Axis(title="Seen", format=".0%", values=ticks))
    rows = [
        {
            "x": predicted.estimate,
            "y": seen.estimate,
            "lower": seen.lower,
            "upper": seen.upper,
            "colour": GREY if "too_few" in seen.flags else BLUE,
            "fill": "#ffffff" if "too_few" in seen.flags else BLUE,
        }
        for predicted, seen in pairs
        if predicted.estimate is not None and seen.estimate is not None
    ]
    colour = alt.Color("colour:N", scale=None)
    layers = [
        layer_of("line").mark_line(color=QUIET, strokeDash=[4, 3]).encode(x=x, y=y),
        layer_of("rows", "isValid(datum.lower)")
        .mark_rule(strokeWidth=2)
        .encode(x=alt.X("x:Q"), y=alt.Y("lower:Q"), y2=alt.Y2("upper"), color=colour),
        layer_of("rows")
        .mark_point(size=55, strokeWidth=2, opacity=1)
        .encode(x=alt.X("x:Q"), y=alt.Y("y:Q"), stroke=colour, fill=alt.Fill("fill:N", scale=None)),
    ]
    tables: dict[str, list[dict[str, Any]]] = {"line": [{"x": 0, "y": 0}, {"x": top, "y": top}], "rows": rows}
    padding = {"left": 58, "right": 20, "top": 10, "bottom": 46}
    return draw(themed(layers, tables, width=side, height=side, padding=padding), name)
