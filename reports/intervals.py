"""Shares with intervals as a plot in both widths, and how to read it."""

from __future__ import annotations

from collections.abc import Sequence

from .charts import IntervalRow, interval_plot
from .charts.interval_plot import plot_words
from .layout import Picture


def interval_picture(
    rows: Sequence[IntervalRow], name: str, subject: str, axis_title: str, *, from_zero: bool = True
) -> Picture:
    """The plot in both widths."""
    return Picture(
        interval_plot(rows, name, axis_title, from_zero=from_zero),
        plot_words(rows, subject),
        narrow=interval_plot(rows, f"{name}-narrow", axis_title, narrow=True, from_zero=from_zero),
    )


def interval_key(rows: Sequence[IntervalRow], floor: int, of_what: str) -> str:
    """How to read the plot. floor, of_what: the fewest that a share may rest on, and what they are."""
    parts = ["Dot: the share seen; bar: its 95% interval."]
    if any(row.figure and row.figure.estimate == 0 for row in rows):
        parts.append("Open dot at 0: none seen; the bar ends at the upper limit.")
    if any(row.figure and row.figure.estimate is not None and "too_few" in row.figure.flags for row in rows):
        parts.append(f"Grey and dashed: fewer than {floor} {of_what}, too few to read.")
    if any(row.benchmark is not None for row in rows):
        parts.append("Upright stroke: the practice's own benchmark.")
    return " ".join(parts)
