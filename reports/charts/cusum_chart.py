"""Results case by case over time: the CUSUM with its alarms, expected less observed, and the moving average."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from pipelines.estimators.surveillance import CusumPath, ExpectedMinusObserved, MovingAverage

from .case_chart import Ticks, case_chart
from .svg import Drawing
from .theme import BLUE, INK, QUIET

_SAME = 1e-9
"""A limit that the path runs on cannot be passed (no event so far) and takes no label."""


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
    return case_chart(
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
    of: str = "events",
) -> Drawing:
    """Draw the sum of expected less observed events between its pointwise limits, around 0. of: what is counted.

    Raises: ValueError for no case.
    """
    values, lower, upper = path.values.tolist(), path.lower.tolist(), path.upper.tolist()
    last = values[-1] if values else 0.0
    return case_chart(
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
            (last, f"{_counted(last, of)} {'fewer' if last >= 0 else 'more'} {of}", BLUE),
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
    return case_chart(
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


def expected_minus_observed_words(path: ExpectedMinusObserved, subject: str, of: str = "events") -> str:
    """The text alternative of expected less observed."""
    if not len(path.values):
        return f"Expected less observed {subject}: no session."
    last = float(path.values[-1])
    return (
        f"Expected less observed {of} of {subject} over {len(path.values)} sessions in their order: at the end "
        f"{_counted(last, of)} {'fewer' if last >= 0 else 'more'} than expected; {100 * path.level:g}% limits there "
        f"from {path.lower[-1]:.1f} to {path.upper[-1]:.1f}."
    )


def _counted(last: float, of: str) -> str:
    """Events are few, so that tenths matter; grafts are many."""
    return f"{abs(last):.1f}" if of == "events" else f"{abs(last):,.0f}"


def _line(values: Sequence[float]) -> list[dict[str, Any]]:
    return [{"case": place + 1, "value": value, "run": 0} for place, value in enumerate(values)]


__all__ = [
    "Ticks",
    "cusum_chart",
    "cusum_words",
    "expected_minus_observed_chart",
    "expected_minus_observed_words",
    "moving_average_chart",
]
