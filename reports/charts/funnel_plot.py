"""A funnel plot: results by volume around a target, with the limits that chance keeps within.

Peers are dots without a name. They are drawn to the nearest pixel and by volume, so that neither a place read off the
drawing nor the order of its marks gives back the counts behind a dot. Where a volume alone would tell who a peer is,
the caller bands or jitters it first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from .right_labels import right_labels
from .svg import Drawing, draw
from .theme import BLUE, FAINT, GREY, INK, QUIET, SMALL_SIZE, VERMILLION, layer_of, pixels, themed

_LEFT, _RIGHT, _UNDER = 62, 84, 52
_WIDE, _NARROW = (560, 300), (262, 250)
FLAGS = {"alert": "alert", "priority_review": "priority review"}
_MARKS = (("", "circle", 64, BLUE), ("alert", "square", 70, "#ffffff"), ("priority_review", "triangle-up", 96, ""))


@dataclass(frozen=True)
class FunnelPoint:
    """One result. volume: cases or expected events, as it may be shown. value: a share or a ratio.

    label: empty for a peer, who is then drawn like every other, without interval and flag. A labelled point carries its
    interval lower to upper and its flag: empty, `alert` or `priority_review`.
    """

    volume: float
    value: float
    label: str = ""
    lower: float | None = None
    upper: float | None = None
    flag: str = ""


@dataclass(frozen=True)
class FunnelLimit:
    """Limits at one volume, as `pipelines.estimators.funnel` has them."""

    volume: float
    alert: tuple[float, float]
    priority: tuple[float, float]


def funnel_plot(
    points: Sequence[FunnelPoint],
    limits: Sequence[FunnelLimit],
    name: str,
    *,
    target: float,
    axis_title: str,
    volume_title: str,
    percent: bool,
    narrow: bool = False,
) -> Drawing:
    """Draw limits as lines, peers as grey dots, labelled points in colour with their intervals.

    limits: by volume, ascending, at least two. percent: whether values are shares.
    Raises: ValueError for fewer than two limits, or a peer with an interval or a flag, which would say too much.
    """
    import altair as alt

    if len(limits) < 2:
        raise ValueError("a funnel needs limits at two volumes at least")
    if any(not point.label and (point.flag or point.lower is not None) for point in points):
        raise ValueError("a peer carries neither interval nor flag")
    width, height = _NARROW if narrow else _WIDE
    widest = max(limits[-1].volume, max((point.volume for point in points), default=0.0))
    top = _top(points, limits, target, percent=percent)
    x = alt.X(
        "volume:Q",
        scale=alt.Scale(domain=[0, widest * 1.03], nice=False),
        axis=alt.Axis(
            title=volume_title, grid=False, tickCount=4 if narrow else 6, format=",.0f" if widest > 5 else ".1f"
        ),
    )
    number = (".1%" if top < 0.1 else ".0%") if percent else ".1f"
    y = alt.Y(
        "value:Q",
        scale=alt.Scale(domain=[0, top], nice=False),
        axis=alt.Axis(title=axis_title, tickCount=5, format=number),
    )
    lines = [
        {"volume": limit.volume, "line": line, "value": value}
        for limit in limits
        for line, value in _values(limit).items()
        # a limit of 0 cannot be passed, so there is none to draw
        if value > 0
    ]
    ends = {line: value for line, value in _values(limits[-1]).items() if value > 0}
    texts = {"priority_upper": "99.8%", "alert_upper": "95%", "alert_lower": "95%", "priority_lower": "99.8%"}
    word = f"{target:.1%}" if percent and target >= 0.01 else f"{target:.2%}" if percent else f"{target:.3g}"
    right = right_labels(
        [*((value, texts[line], QUIET) for line, value in ends.items()), (target, f"target {word}", INK)],
        0,
        top,
        height,
    )
    labelled = [_drawn(point, top) for point in points if point.label]
    layers: list[Any] = [
        layer_of("corner").mark_point(opacity=0).encode(x=x, y=y),
        layer_of("target")
        .mark_rule(color=INK, strokeWidth=1.25, strokeDash=[5, 3])
        .encode(x=pixels(alt.XValue, 0), x2=pixels(alt.X2Value, width), y=y),
        *(
            layer_of("lines", f"datum.line === '{line}'")
            .mark_line(color=QUIET, strokeWidth=1.5 if line.startswith("priority") else 1, strokeDash=dash, clip=True)
            .encode(x=x, y=y)
            for line in texts
            for dash in ([1, 0] if line.startswith("priority") else [2, 2],)
        ),
        layer_of("peers")
        .mark_point(shape="circle", size=34, strokeWidth=1.5, opacity=1, color=GREY, fill=FAINT)
        .encode(x=x, y=y),
        layer_of("own", "isValid(datum.lower)")
        .mark_rule(strokeWidth=2, clip=True)
        .encode(x=x, y=alt.Y("lower:Q"), y2=alt.Y2("upper"), color=alt.Color("colour:N", scale=None)),
        *(
            layer_of("own", f"datum.flag === '{flag}'")
            .mark_point(shape=shape, size=size, strokeWidth=2, opacity=1)
            .encode(
                x=x,
                y=y,
                stroke=alt.Stroke("colour:N", scale=None),
                fill=alt.value(fill) if fill else alt.value(VERMILLION),
            )
            for flag, shape, size, fill in _MARKS
        ),
        *(
            layer_of("own", f"datum.side === '{side}'")
            .mark_text(
                align=side,
                baseline="middle",
                dx=dx,
                dy=-9,
                color=INK,
                fontSize=SMALL_SIZE,
                fontWeight="bold",
                # written first in white and thick, so that lines do not run through the letters
                stroke=halo,
                strokeWidth=3 if halo else 0,
            )
            .encode(x=x, y=y, text=alt.Text("text:N"))
            for halo in ("#ffffff", None)
            for side, dx in (("left", 8), ("right", -8))
        ),
        layer_of("right")
        .mark_text(align="left", baseline="middle", fontSize=SMALL_SIZE)
        .encode(
            x=pixels(alt.XValue, width + 6),
            y=alt.Y("at:Q"),
            text=alt.Text("text:N"),
            color=alt.Color("colour:N", scale=None),
        ),
    ]
    peers = sorted(
        (_to_pixels(point, widest * 1.03 / width, top / height) for point in points if not point.label),
        key=lambda peer: (peer["volume"], peer["value"]),
    )
    tables: dict[str, list[dict[str, Any]]] = {
        "corner": [{"volume": 0, "value": 0}],
        "target": [{"value": target}],
        "lines": lines,
        "peers": peers,
        "own": [{**row, "side": "right" if row["volume"] > widest * 0.6 else "left"} for row in labelled],
        # a label stands at a value, so that it shares the axis
        "right": [{**row, "at": top * (1 - row["height"] / height)} for row in right],
    }
    padding = {"left": _LEFT, "right": _RIGHT, "top": 12, "bottom": _UNDER}
    return draw(themed(layers, tables, width=width, height=height, padding=padding), name)


def funnel_words(points: Sequence[FunnelPoint], subject: str, *, target: float, percent: bool) -> str:
    """The text alternative: the labelled points in words, the others as a count."""

    def said(value: float) -> str:
        return f"{value:.1%}" if percent else f"{value:.2f}"

    own = [
        f"{point.label}: {said(point.value)}"
        + (
            f" ({said(point.lower)} to {said(point.upper)})"
            if point.lower is not None and point.upper is not None
            else ""
        )
        + (f", {FLAGS[point.flag]}" if point.flag else ", not flagged")
        for point in points
        if point.label
    ]
    peers = sum(not point.label for point in points)
    rest = [f"{peers} others are dots without a name"] if peers else []
    return (
        f"Funnel plot of {subject} by volume around a target of {said(target)}, with limits of 95% and 99.8%. "
        f"{'; '.join([*own, *rest])}. The table gives the same numbers."
    )


def _values(limit: FunnelLimit) -> dict[str, float]:
    return {
        "alert_lower": limit.alert[0],
        "alert_upper": limit.alert[1],
        "priority_lower": limit.priority[0],
        "priority_upper": limit.priority[1],
    }


def _top(points: Sequence[FunnelPoint], limits: Sequence[FunnelLimit], target: float, *, percent: bool) -> float:
    """End of the axis: all results and own intervals, and the limits where most results stand."""
    middle = limits[len(limits) // 4].priority[1]
    highest = max([point.value for point in points] + [point.upper or 0.0 for point in points] + [middle, target])
    return min(1.0, highest * 1.08) if percent else min(highest * 1.08, max(5.0, 1.08 * max(p.value for p in points)))


def _drawn(point: FunnelPoint, top: float) -> dict[str, Any]:
    return {
        "volume": point.volume,
        "value": point.value,
        "lower": point.lower,
        "upper": None if point.upper is None else min(point.upper, top),
        "flag": point.flag,
        "colour": VERMILLION if point.flag else BLUE,
        "text": point.label + (f": {FLAGS[point.flag]}" if point.flag else ""),
    }


def _to_pixels(point: FunnelPoint, across: float, up: float) -> dict[str, float]:
    """A peer at the nearest pixel. across, up: what a pixel stands for."""
    return {"volume": round(point.volume / across) * across, "value": round(point.value / up) * up}


__all__ = ["FunnelLimit", "FunnelPoint", "funnel_plot", "funnel_words"]
