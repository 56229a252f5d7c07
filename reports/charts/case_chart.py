"""The frame of charts over cases in their order: lines, rules with labels, marks, and text under the axis."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from .right_labels import right_labels
from .svg import Drawing, draw
from .theme import BLUE, FAINT, INK, QUIET, SMALL_SIZE, VERMILLION, layer_of, pixels, themed

_LEFT, _RIGHT, _UNDER = 62, 104, 52
_WIDE, _NARROW = (560, 230), (248, 210)
_BESIDE = 0.06
"""Room above and below the lines, as a share of the axis."""

_APART = 0.15
"""Least distance between two years under an axis, as a share of it."""

Ticks = Sequence[tuple[int, str]]
"""Under the axis: number of cases before the tick, and its text, such as (40, "2025"). No more than fit: about 8, or 4
where narrow."""


def year_ticks(days: Sequence[date]) -> list[tuple[int, str]]:
    """Where each year begins, in cases, leaving out those that would run into the one before.

    >>> year_ticks([date(2024, 12, 1), date(2025, 1, 2), date(2025, 6, 1), date(2026, 1, 2)])
    [(0, '2024'), (1, '2025'), (3, '2026')]
    """
    found: list[tuple[int, str]] = []
    for year in sorted({day.year for day in days}):
        place = sum(day.year < year for day in days)
        if not found or place - found[-1][0] >= len(days) * _APART:
            found.append((place, str(year)))
    return found


def case_chart(
    name: str,
    *,
    cases: int,
    low: float,
    high: float,
    lines: Mapping[str, list[dict[str, Any]]],
    rules: Sequence[tuple[float, str, str]],
    labels: Sequence[tuple[float, str, str]],
    marks: list[dict[str, Any]],
    restarts: Sequence[int],
    ticks: Ticks,
    axis_title: str,
    under_title: str,
    number: str,
    narrow: bool,
) -> Drawing:
    """lines: `sum` drawn in full colour, `expected` dashed, others thin. rules: horizontal, with their labels."""
    import altair as alt

    if not cases:
        raise ValueError("a chart over time needs at least one case")
    width, height = _NARROW if narrow else _WIDE
    beside = _BESIDE * (high - low) or 1.0
    bottom, top = (0.0 if low == 0.0 else low - beside), high + beside
    x = alt.X("case:Q", scale=alt.Scale(domain=[0, cases], nice=False), axis=None)
    y = alt.Y(
        "value:Q",
        scale=alt.Scale(domain=[bottom, top], nice=False, zero=False),
        axis=alt.Axis(title=axis_title, tickCount=5, format=number),
    )
    styles = {
        "lower": (QUIET, 1.0, [2, 2]),
        "upper": (QUIET, 1.0, [2, 2]),
        "expected": (INK, 1.25, [5, 3]),
        "sum": (BLUE, 2.0, [1, 0]),
    }
    right = right_labels([*rules, *labels], bottom, top, height)
    layers: list[Any] = [
        layer_of("corner").mark_point(opacity=0).encode(x=x, y=y),
        layer_of("corner")
        .mark_rule(color=QUIET, strokeWidth=0.75)
        .encode(x=pixels(alt.XValue, 0), x2=pixels(alt.X2Value, width), y=pixels(alt.YValue, height)),
        layer_of("restarts")
        .mark_rule(color=INK, strokeWidth=1, strokeDash=[1, 3])
        .encode(x=x, y=pixels(alt.YValue, 0), y2=pixels(alt.Y2Value, height)),
        layer_of("restarts")
        .mark_text(align="left", baseline="top", dx=4, color=INK, fontSize=SMALL_SIZE, text="set to 0")
        .encode(x=x, y=pixels(alt.YValue, 0)),
        layer_of("rules")
        .mark_rule(color=INK, strokeWidth=1.25, strokeDash=[5, 3])
        .encode(x=pixels(alt.XValue, 0), x2=pixels(alt.X2Value, width), y=y),
        *(
            layer_of(line)
            .mark_line(color=colour, strokeWidth=thick, strokeDash=dash, interpolate="linear", clip=True)
            .encode(x=x, y=y, detail="run:N")
            for line, (colour, thick, dash) in styles.items()
            if line in lines
        ),
        layer_of("marks")
        .mark_point(shape="triangle-up", size=90, strokeWidth=1.75, opacity=1, color=VERMILLION, fill=VERMILLION)
        .encode(x=x, y=y),
        layer_of("ticks")
        .mark_rule(color=FAINT, strokeWidth=0.75)
        .encode(x=x, y=pixels(alt.YValue, height), y2=pixels(alt.Y2Value, height + 5)),
        layer_of("ticks")
        .mark_text(align="center", baseline="middle", color=INK, fontSize=SMALL_SIZE)
        .encode(x=x, y=pixels(alt.YValue, height + 14), text=alt.Text("text:N")),
        layer_of("corner")
        .mark_text(align="center", baseline="middle", color=QUIET, fontSize=SMALL_SIZE, text=under_title)
        .encode(x=pixels(alt.XValue, width / 2), y=pixels(alt.YValue, height + 36)),
        layer_of("right")
        .mark_text(align="left", baseline="middle", fontSize=SMALL_SIZE)
        .encode(
            x=pixels(alt.XValue, width + 6),
            y=alt.Y("at:Q"),
            text=alt.Text("text:N"),
            color=alt.Color("colour:N", scale=None),
        ),
    ]
    tables: dict[str, list[dict[str, Any]]] = {
        "corner": [{"case": 0, "value": bottom}],
        "restarts": [{"case": place} for place in restarts],
        "rules": [{"value": value} for value, _, _ in rules],
        "marks": marks,
        "ticks": [{"case": case, "text": text} for case, text in ticks],
        "right": [{**row, "at": top - (top - bottom) * row["height"] / height} for row in right],
        **lines,
    }
    padding = {"left": _LEFT, "right": _RIGHT, "top": 12, "bottom": _UNDER}
    return draw(themed(layers, tables, width=width, height=height, padding=padding), name)
