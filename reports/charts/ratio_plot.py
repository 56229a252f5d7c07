"""Ratios with their intervals on a logarithmic axis, one a row: to the left of 1 fewer, to the right more.

Differences likewise, on a straight axis with 0 in place of 1."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from pipelines.figure import Figure

from .. import wording
from .svg import Drawing, draw
from .theme import BLUE, FAINT, GREY, INK, QUIET, SIZE, SMALL_SIZE, layer_of, pixels, themed

_TICKS = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0)
_WIDEST = (0.05, 20.0)
"""Limits beyond are cut at the edge: nobody needs to see how far past twentyfold an unsure ratio reaches."""


@dataclass(frozen=True)
class RatioRow:
    """One row: a figure with its name, or, without a figure, a heading over the rows that follow."""

    label: str
    figure: Figure | None = None


Words = Callable[[Figure], str]
"""An estimate with its limits, as it is said."""


def ratio_plot(rows: Sequence[RatioRow], name: str, axis_title: str, *, narrow: bool = False) -> Drawing:
    """Draw the rows in their order. Ratios that rest on too few are grey, hollow and dashed.

    narrow: for a telephone, with names above the intervals instead of beside them.
    """
    import altair as alt

    low, high = _axis(rows)
    scale = alt.Scale(type="log", domain=[low, high], nice=False)
    axis = alt.Axis(
        values=[tick for tick in _TICKS if low <= tick <= high], format="~g", title=axis_title, grid=not narrow
    )
    return _drawing(rows, name, (low, high), alt.X("x:Q", scale=scale, axis=axis), 1.0, wording_of_ratio, narrow=narrow)


def difference_plot(
    rows: Sequence[RatioRow], name: str, axis_title: str, words: Words, *, narrow: bool = False
) -> Drawing:
    """The same for differences."""
    import altair as alt

    limits = [
        limit for row in rows if row.figure for limit in (row.figure.lower, row.figure.upper) if limit is not None
    ]
    low, high = min([*limits, 0.0]), max([*limits, 0.0])
    beside = 0.04 * (high - low) or 1.0
    low, high = low - beside, high + beside
    scale = alt.Scale(domain=[low, high], nice=False, zero=False)
    axis = alt.Axis(title=axis_title, grid=not narrow, tickCount=6)
    return _drawing(rows, name, (low, high), alt.X("x:Q", scale=scale, axis=axis), 0.0, words, narrow=narrow)


def _drawing(
    rows: Sequence[RatioRow],
    name: str,
    ends: tuple[float, float],
    x: Any,
    no_difference: float,
    words: Words,
    *,
    narrow: bool,
) -> Drawing:
    import altair as alt

    low, high = ends
    row_height, width = (44, 300) if narrow else (25, 340)
    left, right = (14, 24) if narrow else (250, 150)
    height = row_height * len(rows)
    data = [_drawn(row, (number + 0.5) * row_height, low, high, words) for number, row in enumerate(rows)]
    y = alt.Y("y:Q", axis=None, scale=alt.Scale(domain=[0, height], reverse=True, nice=False, zero=False))
    colour = alt.Color("colour:N", scale=None)
    layers: list[Any] = [layer_of("corner").mark_point(opacity=0).encode(x=x, y=y)]
    if narrow:
        rail = layer_of("rows", "!datum.heading").mark_rule(color=FAINT)
        layers.append(rail.encode(x=pixels(alt.XValue, 0), x2=pixels(alt.X2Value, width), y=alt.Y("y:Q")))
    layers.append(_no_difference(height, narrow=narrow))
    layers += [
        layer_of("rows", f"isValid(datum.lower) && datum.few === {str(few).lower()}")
        .mark_rule(strokeWidth=2.25, strokeDash=dash, clip=True)
        .encode(x=alt.X("lower:Q"), x2=alt.X2("upper"), y=alt.Y("y:Q"), color=colour)
        for few, dash in ((False, [1, 0]), (True, [3, 2]))
    ]
    layers.append(
        layer_of("rows", "isValid(datum.estimate)")
        .mark_point(size=50, strokeWidth=2, opacity=1, clip=True)
        .encode(x=alt.X("estimate:Q"), y=alt.Y("y:Q"), stroke=colour, fill=alt.Fill("fill:N", scale=None))
    )
    layers += _texts(width, narrow=narrow)
    tables = {
        "corner": [{"x": low, "y": 0}],
        "rows": [{**row, "one": no_difference} for row in data],
        "one": [{"x": no_difference}],
    }
    padding = {"left": left, "right": right, "top": 8, "bottom": 44}
    return draw(themed(layers, tables, width=width, height=height, padding=padding), name)


def _no_difference(height: int, *, narrow: bool) -> Any:
    """The line of no difference; where names stand above the intervals, a short stroke in each row instead."""
    import altair as alt

    if narrow:
        stroke = layer_of("rows", "!datum.heading").mark_tick(orient="vertical", size=12, thickness=1.1, color=INK)
        return stroke.encode(x=alt.X("one:Q"), y=alt.Y("y:Q"))
    line = layer_of("one").mark_rule(color=INK, strokeWidth=1.1)
    return line.encode(x=alt.X("x:Q"), y=pixels(alt.YValue, 0), y2=pixels(alt.Y2Value, height))


def _texts(width: int, *, narrow: bool) -> Iterator[Any]:
    import altair as alt

    if narrow:
        places = ((0, "left", -14, "label"), (width, "right", -14, "result"))
    else:
        places = ((-14, "right", 0, "label"), (width + 16, "left", 0, "result"))
    for at, align, dy, column in places:
        for heading in (False, True) if column == "label" else (False,):
            yield (
                layer_of("rows", f"datum.heading === {str(heading).lower()}")
                .mark_text(
                    align="left" if heading else align,
                    baseline="middle",
                    dy=0 if heading else dy,
                    color=INK if column == "label" else QUIET,
                    fontSize=SIZE if column == "label" else SMALL_SIZE,
                    fontWeight="bold" if heading else "normal",
                )
                .encode(
                    x=pixels(alt.XValue, (0 if narrow else -236) if heading else at),
                    y=alt.Y("y:Q"),
                    text=alt.Text(f"{column}:N"),
                )
            )


def ratio_words(rows: Sequence[RatioRow], subject: str, words: Words | None = None) -> str:
    """The text alternative: every row in words."""
    parts, heading = [], ""
    for row in rows:
        if row.figure is None:
            heading = f"{row.label}, "
        else:
            parts.append(f"{heading}{row.label}: {(words or wording_of_ratio)(row.figure)}")
    return f"Interval plot of {subject}. {'; '.join(parts)}. The table gives the same numbers."


def wording_of_ratio(figure: Figure) -> str:
    """A ratio with its interval.

    >>> wording_of_ratio(Figure("m", 9, "patients", "cox", estimate=0.8512, lower=0.7, upper=1.031))
    '0.85 (0.70 to 1.03)'
    """
    if figure.estimate is None or figure.lower is None or figure.upper is None:
        return wording.NOT_SHOWN
    return f"{two_digits(figure.estimate)} ({two_digits(figure.lower)} to {two_digits(figure.upper)})"


def two_digits(ratio: float) -> str:
    """A ratio: two decimals below 10, one from there on; only 0 is written as nothing.

    >>> two_digits(0.0), two_digits(0.004), two_digits(1.5), two_digits(12.34), two_digits(250)
    ('0', 'below 0.01', '1.50', '12.3', 'above 100')
    """
    if ratio == 0:
        return "0"
    if ratio < 0.005:
        return "below 0.01"
    return "above 100" if ratio > 100 else f"{ratio:.2f}" if ratio < 9.995 else f"{ratio:.1f}"


def _drawn(row: RatioRow, y: float, low: float, high: float, words: Words) -> dict[str, Any]:
    figure = row.figure
    if figure is None:
        return {"y": y, "heading": True, "few": False, "label": row.label}
    few = "too_few" in figure.flags
    colour = GREY if few else BLUE
    limits = None if figure.lower is None or figure.upper is None else (figure.lower, figure.upper)
    return {
        "y": y,
        "heading": False,
        "few": few,
        "label": row.label,
        "estimate": figure.estimate,
        "lower": max(limits[0], low) if limits else None,
        "upper": min(limits[1], high) if limits else None,
        "colour": colour,
        "fill": "#ffffff" if few else colour,
        "result": words(figure) + (", too few" if few else ""),
    }


def _axis(rows: Sequence[RatioRow]) -> tuple[float, float]:
    """Ends of the axis: the ticks around all limits, as far as they are shown."""
    limits = [limit for row in rows if row.figure for limit in (row.figure.lower, row.figure.upper) if limit]
    lowest, highest = max(min(limits, default=0.5), _WIDEST[0]), min(max(limits, default=2.0), _WIDEST[1])
    low = max((tick for tick in _TICKS if tick <= lowest + 1e-12), default=_TICKS[0])
    high = min((tick for tick in _TICKS if tick >= highest - 1e-12), default=_TICKS[-1])
    return min(low, 0.5), max(high, 2.0)


__all__ = ["RatioRow", "difference_plot", "ratio_plot", "ratio_words", "two_digits", "wording_of_ratio"]
