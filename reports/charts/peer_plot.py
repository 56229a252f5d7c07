"""One's own result beside those of blinded peers, each with its interval, in the order of the blinded labels.

Never sorted by result: the order of labels says nothing. Peers' intervals are drawn to the nearest pixel, and no count
or number of a peer is written. But the width of an interval still tells about how many cases it rests on, and a result
may be found again in a funnel: so the caller keeps to the floors of cases and peers, gives labels anew each report, and
bands or jitters the volumes of a funnel beside it.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from pipelines.figure import Figure

from .. import wording
from .ratio_plot import wording_of_ratio
from .svg import Drawing, draw
from .theme import BLUE, FAINT, GREY, INK, QUIET, SIZE, SMALL_SIZE, layer_of, pixels, themed

_ROW, _WIDTH, _NARROW = 24, 340, 220
_STEPS = (0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.25, 0.5)
_TICKS = (0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0)


@dataclass(frozen=True)
class PeerRow:
    """One surgeon. label: `You` or such for the own row, else the blinded label. figure: a share or a ratio."""

    label: str
    figure: Figure
    own: bool = False


def peer_plot(
    rows: Sequence[PeerRow],
    name: str,
    axis_title: str,
    *,
    reference: float | None = None,
    ratio: bool = False,
    narrow: bool = False,
) -> Drawing:
    """Draw the own row on top, then peers by label (numbers within labels count as numbers).

    A figure without an estimate keeps its row and says why. reference: marked by a dashed line, such as the share of
    all. ratio: a logarithmic axis, on which 1 is as expected. Raises: ValueError for no row or more than one own row.
    """
    import altair as alt

    if not rows or sum(row.own for row in rows) > 1:
        raise ValueError("one own row at most, and at least one row, are expected")
    ordered = sorted(rows, key=lambda row: (not row.own, _natural(row.label)))
    width, left, right = (_NARROW, 78, 14) if narrow else (_WIDTH, 120, 176)
    low, high, ticks = _ratio_axis(rows) if ratio else _share_axis(rows, reference)
    height = _ROW * len(ordered)
    drawn = [_drawn(row, (place + 0.5) * _ROW, low, high, width, ratio=ratio) for place, row in enumerate(ordered)]
    scale = alt.Scale(type="log" if ratio else "linear", domain=[low, high], nice=False, zero=False)
    form = "~g" if ratio else ".1%" if high < 0.05 else ".0%"
    x = alt.X("x:Q", scale=scale, axis=alt.Axis(title=axis_title, values=ticks, format=form))
    y = alt.Y("y:Q", axis=None, scale=alt.Scale(domain=[0, height], reverse=True, nice=False, zero=False))
    layers: list[Any] = [
        layer_of("corner").mark_point(opacity=0).encode(x=x, y=y),
        layer_of("own")
        .mark_rule(color=FAINT, strokeWidth=_ROW - 2, opacity=0.45)
        .encode(x=pixels(alt.XValue, 6 - left), x2=pixels(alt.X2Value, width + right - 4), y=y),
        layer_of("reference")
        .mark_rule(color=INK, strokeWidth=1.25, strokeDash=[5, 3])
        .encode(x=alt.X("x:Q"), y=pixels(alt.YValue, 0), y2=pixels(alt.Y2Value, height)),
        *(
            layer_of("rows", f"isValid(datum.lower) && datum.few === {str(few).lower()}")
            .mark_rule(strokeWidth=2.25, strokeDash=dash, clip=True)
            .encode(x=alt.X("lower:Q"), x2=alt.X2("upper"), y=y, color=alt.Color("colour:N", scale=None))
            for few, dash in ((False, [1, 0]), (True, [3, 2]))
        ),
        layer_of("rows", "isValid(datum.estimate)")
        .mark_point(size=50, strokeWidth=2, opacity=1)
        .encode(
            x=alt.X("estimate:Q"),
            y=y,
            stroke=alt.Stroke("colour:N", scale=None),
            fill=alt.Fill("fill:N", scale=None),
        ),
        *(
            layer_of("rows", f"datum.own === {str(own).lower()}")
            .mark_text(align="right", baseline="middle", color=INK, fontSize=SIZE, fontWeight=weight)
            .encode(x=pixels(alt.XValue, -12), y=y, text=alt.Text("label:N"))
            for own, weight in ((False, "normal"), (True, "bold"))
        ),
    ]
    if not narrow:
        layers.append(
            layer_of("rows")
            .mark_text(align="left", baseline="middle", color=QUIET, fontSize=SMALL_SIZE)
            .encode(x=pixels(alt.XValue, width + 12), y=y, text=alt.Text("said:N"))
        )
    tables: dict[str, list[dict[str, Any]]] = {
        "corner": [{"x": low, "y": 0}],
        "own": [{"y": row["y"]} for row in drawn if row["own"]],
        "reference": [] if reference is None or not low <= reference <= high else [{"x": reference}],
        "rows": drawn,
    }
    padding = {"left": left, "right": right, "top": 8, "bottom": 44}
    return draw(themed(layers, tables, width=width, height=height, padding=padding), name)


def peer_words(rows: Sequence[PeerRow], subject: str, *, ratio: bool = False) -> str:
    """The text alternative: the own result in words, peers only as a count, as their numbers are not written."""
    own = [f"{row.label}: {_said(row.figure, ratio=ratio)}" for row in rows if row.own]
    peers = sum(not row.own for row in rows)
    rest = [f"{peers} blinded peers in the order of their labels, which says nothing of their results"] if peers else []
    return f"Interval plot of {subject}. {'; '.join([*own, *rest])}."


def _drawn(row: PeerRow, y: float, low: float, high: float, width: int, *, ratio: bool) -> dict[str, Any]:
    figure = row.figure
    few = "too_few" in figure.flags
    colour = GREY if few or not row.own else BLUE
    shown = figure.estimate is not None
    places = [figure.estimate, figure.lower if shown else None, figure.upper if shown else None]
    if not row.own:
        places = [None if place is None else _to_pixel(place, low, high, width, ratio=ratio) for place in places]
    lower, upper = (None if place is None else min(max(place, low), high) for place in places[1:])
    # a ratio of 0 or beyond the axis has no place on it: the interval runs to the edge and no dot is drawn
    estimate = places[0] if places[0] is not None and low - 1e-9 <= places[0] <= high + 1e-9 else None
    return {
        "y": y,
        "own": row.own,
        "few": few,
        "label": row.label,
        "estimate": estimate,
        "lower": lower,
        "upper": upper,
        "colour": colour,
        "fill": "#ffffff" if few or not row.own else colour,
        "said": _said(figure, ratio=ratio) if row.own else "" if shown else wording.estimate_words(figure),
    }


def _said(figure: Figure, *, ratio: bool) -> str:
    if figure.estimate is None:
        return wording.estimate_words(figure)
    said = (
        wording_of_ratio(figure) if ratio else f"{wording.percent(figure.estimate)} ({wording.interval_words(figure)})"
    )
    return said + (", too few" if "too_few" in figure.flags else "")


def _to_pixel(value: float, low: float, high: float, width: int, *, ratio: bool) -> float:
    """The value of the nearest pixel of the axis."""
    if not ratio:
        pixel = (high - low) / width
        return low + round((value - low) / pixel) * pixel
    if value < low:
        return 0.0
    pixel = math.log(high / low) / width
    return low * math.exp(round(math.log(value / low) / pixel) * pixel)


def _share_axis(rows: Sequence[PeerRow], reference: float | None) -> tuple[float, float, list[float]]:
    tops = [row.figure.upper or row.figure.estimate or 0.0 for row in rows if row.figure.estimate is not None]
    highest = max([*tops, reference or 0.0]) or 0.1
    step = next((step for step in _STEPS if highest / step <= 5), _STEPS[-1])
    count = max(1, math.ceil(highest / step - 1e-9))
    return 0.0, count * step, [round(number * step, 6) for number in range(count + 1)]


def _ratio_axis(rows: Sequence[PeerRow]) -> tuple[float, float, list[float]]:
    """Ends at the ticks around all limits, as far as they are shown; a limit of 0 runs off the plot."""
    limits = [
        limit
        for row in rows
        if row.figure.estimate is not None
        for limit in (row.figure.lower, row.figure.upper)
        if limit
    ]
    low = max((tick for tick in _TICKS if tick <= min(limits, default=0.5)), default=_TICKS[0])
    high = min((tick for tick in _TICKS if tick >= max(limits, default=2.0)), default=_TICKS[-1])
    low, high = min(low, 0.5), max(high, 2.0)
    return low, high, [tick for tick in _TICKS if low <= tick <= high]


def _natural(label: str) -> list[tuple[int, str]]:
    """Sorts `Peer 2` before `Peer 10`."""
    return [(int(part), "") if part.isdigit() else (-1, part) for part in re.split(r"(\d+)", label)]


__all__ = ["PeerRow", "peer_plot", "peer_words"]
