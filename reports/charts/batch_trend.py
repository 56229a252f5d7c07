"""Shares with their intervals from batch to batch of one sender, as a small panel."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from pipelines.figure import Figure

from .. import wording
from .svg import Drawing, draw
from .theme import BLUE, FAINT, GREY, INK, QUIET, SIZE, layer_of, pixels, themed

_WIDTH, _HEIGHT = 318, 128
_LEFT, _UNDER = 56, 40
_FEWEST_PLACES = 4
"""Places along the axis at least, so that two batches do not stand at the ends of the panel."""


@dataclass(frozen=True)
class TrendStep:
    """One batch. label: written under the axis, such as the number of its intake. figure: a share from 0 to 1."""

    label: str
    figure: Figure


def trend_panel(steps: Sequence[TrendStep], name: str, *, top: float, axis_title: str) -> Drawing:
    """Draw one panel, a place a batch in the order given; the last has its share written beside it.

    Where a figure rests on too few it is grey, open and dashed. A figure without an estimate keeps its place, empty.
    top: end of the axis of shares; an interval that reaches further is cut there.
    """
    import altair as alt

    places = max(_FEWEST_PLACES, len(steps))
    x = alt.X("place:Q", scale=alt.Scale(domain=[0, places], nice=False), axis=None)
    y = alt.Y(
        "share:Q",
        scale=alt.Scale(domain=[0, top], nice=False),
        axis=alt.Axis(
            values=[0, top / 2, top],
            format=".0%" if top >= 0.04 else ".1%",
            title=None,
            domain=False,
            ticks=False,
        ),
    )
    colour = alt.Color("colour:N", scale=None)
    drawn = [_drawn(step, place, top) for place, step in enumerate(steps)]
    under = [{"place": place + 0.5, "text": step.label} for place, step in enumerate(steps)]
    layers: list[Any] = [
        layer_of("corner").mark_point(opacity=0).encode(x=x, y=y),
        layer_of("corner")
        .mark_rule(color=QUIET, strokeWidth=0.75)
        .encode(x=pixels(alt.XValue, 0), x2=pixels(alt.X2Value, _WIDTH), y=pixels(alt.YValue, _HEIGHT)),
        layer_of("drawn", "isValid(datum.share)").mark_line(color=FAINT, strokeWidth=1.25).encode(x=x, y=y),
        *(
            layer_of("drawn", f"isValid(datum.lower) && datum.few === {str(few).lower()}")
            .mark_rule(strokeWidth=2.25, strokeDash=dash)
            .encode(x=x, y=alt.Y("lower:Q"), y2=alt.Y2("upper"), color=colour)
            for few, dash in ((False, [1, 0]), (True, [3, 2]))
        ),
        layer_of("drawn", "isValid(datum.share)")
        .mark_point(size=52, strokeWidth=2, opacity=1)
        .encode(x=x, y=y, stroke=colour, fill=alt.Fill("fill:N", scale=None)),
        layer_of("drawn", "datum.last")
        .mark_text(align="left", baseline="middle", dx=9, color=INK, fontSize=SIZE)
        .encode(x=x, y=alt.Y("beside:Q"), text=alt.Text("text:N")),
        layer_of("under")
        .mark_text(align="center", baseline="middle", color=INK, fontSize=SIZE)
        .encode(x=x, y=pixels(alt.YValue, _HEIGHT + 13), text=alt.Text("text:N")),
        layer_of("corner")
        .mark_text(align="center", baseline="middle", color=QUIET, fontSize=SIZE, text=axis_title)
        .encode(x=pixels(alt.XValue, _WIDTH / 2), y=pixels(alt.YValue, _HEIGHT + 31)),
    ]
    if drawn:
        drawn[-1]["last"] = True
    chart = themed(
        layers,
        {"corner": [{"place": 0, "share": 0}], "drawn": drawn, "under": under},
        width=_WIDTH,
        height=_HEIGHT,
        padding={"left": _LEFT, "right": 20, "top": 12, "bottom": _UNDER},
    )
    return draw(chart, name)


def trend_words(title: str, steps: Sequence[TrendStep]) -> str:
    """The text alternative of a panel: every batch in words."""
    parts = [
        f"intake {step.label}: {wording.share_words(step.figure)}"
        + (", too few" if "too_few" in step.figure.flags and step.figure.n else "")
        for step in steps
    ]
    return f"Shares from batch to batch, {title}. {'; '.join(parts)}. The table gives the same numbers."


def _drawn(step: TrendStep, place: int, top: float) -> dict[str, Any]:
    figure = step.figure
    few = "too_few" in figure.flags
    colour = GREY if few else BLUE
    shown = figure.estimate is not None
    return {
        "place": place + 0.5,
        "share": figure.estimate,
        "lower": figure.lower if shown else None,
        "upper": min(figure.upper, top) if shown and figure.upper is not None else None,
        "few": few,
        "colour": colour,
        "fill": "#ffffff" if few or not figure.estimate else colour,
        "beside": max(figure.estimate or 0.0, top * 0.08),
        "text": wording.estimate_words(figure),
        "last": False,
    }
