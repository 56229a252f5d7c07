"""One look for all charts: few lines, generic fonts, colours that differ to every kind of colour vision."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import altair

BLUE, VERMILLION, GREEN, PURPLE = "#0072B2", "#D55E00", "#009E73", "#CC79A7"
"""Four of the eight colours of Okabe & Ito 2008, Color Universal Design, https://jfly.uni-koeln.de/color/."""

INK, QUIET, FAINT, GREY = "#1c2126", "#4c545b", "#d5d8da", "#84898d"
"""Text, quieter text, grid lines, and marks that rest on too few. Read against a light card (also on a dark page)."""

FONT = "sans-serif"
SIZE, SMALL_SIZE = 11.5, 10.5

_CONFIG: dict[str, Any] = {
    "aria": False,  # the page gives each chart one text alternative; marks read out one by one help nobody
    "background": "transparent",
    "font": FONT,
    "view": {"stroke": None},
    "text": {"font": FONT, "fontSize": SIZE, "color": INK},
    "axis": {
        "domainColor": QUIET,
        "gridColor": FAINT,
        "gridWidth": 0.75,
        "labelColor": INK,
        "labelFontSize": SIZE,
        "labelFlush": False,
        "labelOverlap": False,
        "tickColor": QUIET,
        "tickSize": 4,
        "titleColor": QUIET,
        "titleFontSize": SIZE,
        "titleFontWeight": "normal",
    },
}


def layer_of(rows: str, only: str | None = None) -> Any:
    """A layer of the table of that name, or of its rows for which the expression `only` is true."""
    import altair as alt
    from altair.utils import schemapi

    schemapi.DEBUG_MODE = False  # else every part of a chart is checked as it is made; tests check charts as a whole
    chart = alt.Chart(alt.NamedData(name=rows))
    return chart if only is None else chart.transform_filter(only)


def pixels(channel: Any, value: float) -> Any:
    """A place in pixels instead of data. channel: such as `altair.XValue`."""
    return channel(value)


def themed(
    layers: Sequence[Any],
    tables: Mapping[str, Sequence[Mapping[str, Any]]],
    *,
    width: int,
    height: int,
    padding: Mapping[str, int],
) -> altair.LayerChart:
    """The layers as one chart in the common look.

    tables: rows by the names that the layers use. width, height: of the plot, in pixels. padding: pixels on each side
    of it, stated instead of measured, so that a chart does not depend on the fonts of the computer that draws it.
    """
    import altair as alt

    return alt.LayerChart(
        layer=list(layers),
        datasets={name: list(rows) for name, rows in tables.items()},
        width=width,
        height=height,
        autosize="none",
        padding=dict(padding),
        config=_CONFIG,
    )
