"""Results case by case over time: the CUSUM with its alarms, expected less observed, and the moving average."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from pipelines.estimators.surveillance import CusumPath, ExpectedMinusObserved, MovingAverage

from .right_labels import right_labels
from .svg import Drawing, draw
from .theme import BLUE, FAINT, INK, QUIET, SMALL_SIZE, VERMILLION, layer_of, pixels, themed

_LEFT, _RIGHT, _UNDER = 62, 104, 52
_WIDE, _NARROW = (560, 230), (248, 210)
_BESIDE = 0.06
"""Room above and below the lines, as a share of the axis."""

_SAME = 1e-9
"""A limit that the path runs on cannot be passed (no event so far) and takes no label."""

Ticks = Sequence[tuple[int, str]]
"""Under the axis: number of cases before the tick, and its text, such as (40, "2025"). No more than fit: about 8, or 4
where narrow."""


def cusum_chart(
    path: CusumPath, name: str, *, ticks: Ticks, under_title: str = "Sessions in their order", narrow: bool = False
) -> Drawing:
    """Draw the sum, its limit, a triangle at each alarm, and a line where the sum was set to 0 by hand.

    Raises: ValueError for no case.
    """
    values = path.values.tolist()
    top = max([*values, path.limit])
    marks = [{"case": place + 1, "value": values[place]} for place in path.alarms]
    # an alarm is followed by 0, so the line is broken there
    ends = sorted({*(place + 1 for place in path.alarms), *path.restarts, len(values)})
    starts = [0, *ends[:-1]]
    line = [
        {"case": case, "value": 0.0 if case == start else values[case - 1], "run": run}
        for run, (start, end) in enumerate(zip(starts, ends, strict=True))
        for case in range(start, end + 1)
    ]
    return _chart(
        name,
        cases=len(values),
        low=0.0,
        high=top,
        lines={"sum": line},
        rules=[(path.limit, f"limit {path.limit:.1f}", QUIET)],
        labels=[],
        marks=marks,
        restarts=path.restarts,
        ticks=ticks,
        axis_title="CUSUM",
        under_title=under_title,
        number=".1f",
        narrow=narrow,
    )


def expected_minus_observed_chart(
    path: ExpectedMinusObserved,
    name: str,
    *,
    ticks: Ticks,
    under_title: str = "Sessions in their order",
    narrow: bool = False,
) -> Drawing:
    """Draw the sum of expected less observed events between its pointwise limits, around 0.

    Raises: ValueError for no case.
    """
    values, lower, upper = path.values.tolist(), path.lower.tolist(), path.upper.tolist()
    last = values[-1] if values else 0.0
    return _chart(
        name,
        cases=len(values),
        low=min([*values, *lower]),
        high=max([*values, *upper]),
        lines={
            "sum": [{"case": 0, "value": 0.0, "run": 0}, *_line(values)],
            "lower": _line(lower),
            "upper": _line(upper),
        },
        rules=[(0.0, "as expected", INK)],
        labels=[
            (last, f"{abs(last):.1f} {'fewer' if last >= 0 else 'more'} events", BLUE),
            *(
                (edge[-1], f"{100 * path.level:g}%", QUIET)
                for edge in (lower, upper)
                if edge and abs(edge[-1] - last) > _SAME
            ),
        ],
        marks=[],
        restarts=(),
        ticks=ticks,
        axis_title="Expected less observed",
        under_title=under_title,
        number=".0f" if max([*values, *upper]) - min([*values, *lower]) > 5 else ".1f",
        narrow=narrow,
    )


def moving_average_chart(
    path: MovingAverage, name: str, *, ticks: Ticks, under_title: str = "Sessions in their order", narrow: bool = False
) -> Drawing:
    """Draw the moving averages of observed (solid) and expected (dashed) shares, and the limits of the former.

    Raises: ValueError for no case.
    """
    columns = {"sum": path.observed, "expected": path.expected, "lower": path.lower, "upper": path.upper}
    lists = {name: column.tolist() for name, column in columns.items()}
    words = {"sum": "observed", "expected": "expected", "upper": f"{100 * path.level:g}%"}
    colours = {"sum": BLUE, "expected": INK, "upper": QUIET}
    high = max([*lists["sum"], *lists["upper"], 0.0])
    return _chart(
        name,
        cases=len(lists["sum"]),
        low=0.0,
        high=high,
        lines={line: _line(values) for line, values in lists.items()},
        rules=[],
        labels=[(lists[line][-1], word, colours[line]) for line, word in words.items() if lists[line]],
        marks=[],
        restarts=(),
        ticks=ticks,
        axis_title="Moving average",
        under_title=under_title,
        number=".0%" if high > 0.1 else ".1%",
        narrow=narrow,
    )


def cusum_words(path: CusumPath, subject: str, *, run_length: float) -> str:
    """The text alternative of the CUSUM. run_length: cases to a false alarm, on average, with this limit."""
    alarms = ", ".join(str(place + 1) for place in path.alarms)
    said = f"alarms at session {alarms}" if path.alarms else "no alarm"
    again = f"; set to 0 by hand before session {', '.join(str(p + 1) for p in path.restarts)}" if path.restarts else ""
    last = f", last value {path.values[-1]:.1f}" if len(path.values) else ""
    return (
        f"CUSUM of {subject} over {len(path.values)} sessions in their order, limit {path.limit:.1f}{last}: "
        f"{said}{again}. By chance alone an alarm comes about once in {run_length:,.0f} sessions."
    )


def expected_minus_observed_words(path: ExpectedMinusObserved, subject: str) -> str:
    """The text alternative of expected less observed."""
    if not len(path.values):
        return f"Expected less observed {subject}: no session."
    last = float(path.values[-1])
    return (
        f"Expected less observed events of {subject} over {len(path.values)} sessions in their order: at the end "
        f"{abs(last):.1f} {'fewer' if last >= 0 else 'more'} than expected; {100 * path.level:g}% limits there from "
        f"{path.lower[-1]:.1f} to {path.upper[-1]:.1f}."
    )


def _line(values: Sequence[float]) -> list[dict[str, Any]]:
    return [{"case": place + 1, "value": value, "run": 0} for place, value in enumerate(values)]


def _chart(
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


__all__ = [
    "Ticks",
    "cusum_chart",
    "cusum_words",
    "expected_minus_observed_chart",
    "expected_minus_observed_words",
    "moving_average_chart",
]
