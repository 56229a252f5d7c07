"""Shares with their intervals, one a row, beside the counts they rest on."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from pipelines.figure import Figure

from .. import wording
from .svg import Drawing, draw
from .theme import BLUE, FAINT, GREY, INK, QUIET, SIZE, SMALL_SIZE, layer_of, pixels, themed

_STEPS = (0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.25, 0.5)

_LETTER, _MOST_LETTERS = 7, 19
"""Pixels that a letter of a name takes, and letters that fit beside a result where the plot is narrow."""
_ROOT_TICKS = (0.0, 0.001, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.3, 0.5, 0.75, 1.0)
_ROOT_APART = 0.09
"""Of the width of the plot, between two labels of a root axis at least."""
_LEAST_SPAN = 0.2
"""An axis that does not start at 0 ends at 100% and shows at least this much, so that small differences look small."""


@dataclass(frozen=True)
class IntervalRow:
    """One row: a figure with its name, or, without a figure, a heading over the rows that follow.

    benchmark: a share to mark beside the figure.
    """

    label: str
    figure: Figure | None = None
    benchmark: float | None = None


def interval_plot(
    rows: Sequence[IntervalRow],
    name: str,
    axis_title: str,
    *,
    narrow: bool = False,
    from_zero: bool = True,
    cut_few: bool = False,
    root: bool = False,
) -> Drawing:
    """Draw the rows in their order on one axis of percentages.

    A figure without an estimate keeps its row and shows why. Nothing is drawn for it.
    narrow: for a telephone, with names above the intervals instead of beside them.
    from_zero: whether the axis starts at 0; otherwise it reaches from below the lowest limit to 100%.
    cut_few: let intervals that rest on too few run out of the plot, so that they do not squeeze the others.
    root: draw shares by their square roots, so that the intervals of rare events show beside those of common ones.
    """
    import altair as alt

    sound = [row for row in rows if row.figure is None or "too_few" not in row.figure.flags]
    fitting = sound if cut_few and any(row.figure and row.figure.n for row in sound) else rows
    low, high, step = _axis(fitting, from_zero=from_zero)
    row_height, width = (54, 300) if narrow else (34, 340)
    longest = max((len(row.label) for row in rows), default=0)
    left, right = (14, 24) if narrow else (min(280, max(160, 20 + _LETTER * longest)), 192)
    padding = {"left": left, "right": right, "top": 8, "bottom": 44}
    height = row_height * len(rows)
    data = [_drawn(row, (number + 0.5) * row_height, narrow=narrow) for number, row in enumerate(rows)]
    ticks = _root_ticks(high) if root else _ticks(low, high, step)
    form = ".1~%" if root else ".1%" if step < 0.01 else ".0%"
    x = alt.X(
        "x:Q",
        scale=alt.Scale(type="sqrt" if root else "linear", domain=[low, high], nice=False, zero=False),
        axis=alt.Axis(values=ticks, format=form, title=axis_title, grid=not narrow),
    )
    y = alt.Y("y:Q", axis=None, scale=alt.Scale(domain=[0, height], reverse=True, nice=False, zero=False))
    colour = alt.Color("colour:N", scale=None)
    layers = [layer_of("corner").mark_point(opacity=0).encode(x=x, y=y)]
    if narrow:
        rail = layer_of("rows", "!datum.heading").mark_rule(color=FAINT)
        layers.append(rail.encode(x=pixels(alt.XValue, 0), x2=pixels(alt.X2Value, width), y=alt.Y("y:Q")))
    layers += [
        layer_of("rows", f"isValid(datum.lower) && datum.few === {str(few).lower()}")
        .mark_rule(strokeWidth=2.25, strokeDash=dash, clip=cut_few)
        .encode(x=alt.X("lower:Q"), x2=alt.X2("upper"), y=alt.Y("y:Q"), color=colour)
        for few, dash in ((False, [1, 0]), (True, [3, 2]))
    ]
    layers += [
        layer_of("rows", "isValid(datum.benchmark)")
        .mark_tick(orient="vertical", thickness=2.25, size=18, color=INK)
        .encode(x=alt.X("benchmark:Q"), y=alt.Y("y:Q")),
        layer_of("rows", "isValid(datum.estimate)")
        .mark_point(size=58, strokeWidth=2, opacity=1)
        .encode(x=alt.X("estimate:Q"), y=alt.Y("y:Q"), stroke=colour, fill=alt.Fill("fill:N", scale=None)),
        *_texts(width, narrow=narrow),
    ]
    chart = themed(layers, {"corner": [{"x": low, "y": 0}], "rows": data}, width=width, height=height, padding=padding)
    return draw(chart, name)


def _texts(width: int, *, narrow: bool) -> Iterator[Any]:
    """Name, result and what it rests on: beside the interval, or above and below it."""
    import altair as alt

    if narrow:
        places = ((-1, "left", -15, "label"), (width, "right", -15, "result"), (width, "right", 14, "basis"))
    else:
        places = ((-14, "right", 0, "label"), (width + 16, "left", -7, "result"), (width + 16, "left", 8, "basis"))
    for at, align, dy, column in places:
        for heading in (False, True) if column == "label" else (False,):
            yield (
                layer_of("rows", f"datum.heading === {str(heading).lower()}")
                .mark_text(
                    align=align,
                    baseline="middle",
                    dy=0 if heading else dy,
                    color=QUIET if column == "basis" else INK,
                    fontSize=SMALL_SIZE if column == "basis" else SIZE,
                    fontWeight="bold" if heading else "normal",
                )
                .encode(x=pixels(alt.XValue, at), y=alt.Y("y:Q"), text=alt.Text(f"{column}:N"))
            )


def plot_words(rows: Sequence[IntervalRow], subject: str) -> str:
    """The text alternative of an interval plot: every row in words."""
    parts, heading = [], ""
    for row in rows:
        if row.figure is None:
            heading = f"{row.label}, "
        else:
            parts.append(f"{heading}{row.label}: {_result(row.figure)}, {_basis(row.figure)}")
    return f"Interval plot of {subject}. {'; '.join(parts)}. The table gives the same numbers."


def _drawn(row: IntervalRow, y: float, *, narrow: bool) -> dict[str, Any]:
    figure = row.figure
    label = row.label if not narrow or len(row.label) <= _MOST_LETTERS else f"{row.label[: _MOST_LETTERS - 1]}…"
    if figure is None:
        return {"y": y, "heading": True, "few": False, "label": label}
    few = "too_few" in figure.flags
    colour = GREY if few else BLUE
    shown = figure.estimate is not None
    return {
        "y": y,
        "heading": False,
        "few": few,
        "label": label,
        "estimate": figure.estimate,
        "lower": figure.lower if shown else None,
        "upper": figure.upper if shown else None,
        "benchmark": row.benchmark,
        "colour": colour,
        "fill": "#ffffff" if few or not figure.estimate else colour,
        "result": _result(figure),
        "basis": _basis(figure),
    }


def _result(figure: Figure) -> str:
    if figure.estimate is None:
        return wording.estimate_words(figure)
    if figure.estimate == 0:
        return f"none seen: {wording.interval_words(figure)}"
    return f"{wording.percent(figure.estimate)} ({wording.interval_words(figure)})"


def _basis(figure: Figure) -> str:
    few = ", too few" if "too_few" in figure.flags and figure.n else ""
    counted = wording.whole(figure.n) if figure.events is None or not figure.n else wording.fraction(figure)
    return f"{counted} {figure.n_unit}{few}"


def _axis(rows: Sequence[IntervalRow], *, from_zero: bool) -> tuple[float, float, float]:
    figures = [row.figure for row in rows if row.figure is not None and row.figure.estimate is not None]
    tops = [figure.upper or figure.estimate or 0.0 for figure in figures]
    tops += [row.benchmark for row in rows if row.benchmark is not None]
    floors = [figure.lower if figure.lower is not None else figure.estimate or 0.0 for figure in figures]
    floors += [row.benchmark for row in rows if row.benchmark is not None]
    highest = max(tops, default=0.1) or 0.1
    lowest = 0.0 if from_zero else min(floors, default=0.0)
    if not from_zero:
        highest = max(highest, 1.0)
        lowest = min(lowest, highest - _LEAST_SPAN)
    step = next((step for step in _STEPS if (highest - lowest) / step <= 5), _STEPS[-1])
    first, last = math.floor(lowest / step + 1e-9), math.ceil(highest / step - 1e-9)
    return first * step, max(last, first + 1) * step, step


def _ticks(low: float, high: float, step: float) -> list[float]:
    return [round(low + number * step, 6) for number in range(round((high - low) / step) + 1)]


def _root_ticks(high: float) -> list[float]:
    """Labels of a root axis from 0, each far enough from the one before.

    >>> _root_ticks(0.5)
    [0.0, 0.005, 0.02, 0.05, 0.1, 0.2, 0.3, 0.5]
    """
    ticks: list[float] = []
    for tick in _ROOT_TICKS:
        if tick <= high and (not ticks or (math.sqrt(tick) - math.sqrt(ticks[-1])) / math.sqrt(high) >= _ROOT_APART):
            ticks.append(tick)
    return ticks


__all__ = ["IntervalRow", "interval_plot", "plot_words"]
