"""The chart of complications or durations: every group with its interval, also where nothing was seen."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from pipelines import DURATION_LABELS, MEASURE_LABELS
from pipelines.complication_kinds import EVER, MEASURE_OF
from pipelines.duration_measures import duration_measure
from pipelines.figure import Figure
from registry.durations import time_label
from registry.errors import GraftledgerError

from .charts import IntervalRow, interval_plot
from .charts.sheet import chart_sheet
from .intervals import interval_key
from .labels import chosen_words, group_label

_MOST_ROWS = 60
_SQUEEZED = 40
"""A bar so many times shorter than the axis is about as long as a dot is wide."""


def healing_chart(figures: Sequence[Figure], meta: Mapping[str, Any]) -> str:
    """Shares with their intervals as SVG, with a title and notes.

    Raises: GraftledgerError where there are too many rows to read, or nothing to draw.
    """
    shown = [figure for figure in figures if _is_share(figure, meta)]
    rows: list[IntervalRow] = []
    heading = ""
    for figure in shown:
        if _heading(figure) != heading:
            heading = _heading(figure)
            rows.append(IntervalRow(heading))
        # of a duration, events are those known to be over: not what the share counts
        drawn = replace(figure, events=None) if figure.measure in DURATION_LABELS else figure
        rows.append(IntervalRow(_row_label(figure), drawn))
    if not any(figure.n for figure in shown):
        raise GraftledgerError("Nobody is counted, so there is nothing to draw.")
    if len(rows) > _MOST_ROWS:
        raise GraftledgerError(f"{len(rows)} rows are too many for one chart. Ask for fewer kinds, windows or groups.")
    root = _squeezed(shown)
    axis = f"Share of {shown[0].n_unit}" + (", root scale" if root else "")
    drawing = interval_plot(rows, "healing", axis, cut_few=True, root=root)
    return chart_sheet(drawing, _title(shown, meta), _notes(rows, shown, meta))


def _squeezed(shown: Sequence[Figure]) -> bool:
    """Whether some intervals would be hidden by their dots beside much larger ones."""
    ends = [figure.upper for figure in shown if figure.upper and "too_few" not in figure.flags]
    return bool(ends) and min(ends) < max(ends) / _SQUEEZED


def _is_share(figure: Figure, meta: Mapping[str, Any]) -> bool:
    if "of" in meta:
        return figure.measure == duration_measure(meta["of"]).name
    measure = MEASURE_OF.get(figure.measure)
    return figure.measure in MEASURE_LABELS if measure is None else figure.measure == measure.name


def _window(figure: Figure) -> str:
    if figure.at is not None:
        return f"at {time_label(figure.at)}"
    if figure.window is None:
        return ""
    return EVER if figure.window == EVER else f"within {time_label(int(figure.window.removeprefix('0-')))}"


def _label(figure: Figure) -> str:
    measure = MEASURE_OF.get(figure.measure)
    return measure.label if measure else MEASURE_LABELS.get(figure.measure, figure.measure)


def _heading(figure: Figure) -> str:
    """What stands above rows: groups under the kind and window; without groups, kinds under the window."""
    if figure.measure in DURATION_LABELS:
        words = _window(figure)
        return words[0].upper() + words[1:] if figure.group else ""
    if not figure.group:
        words = _window(figure) if figure.measure in MEASURE_OF else ""
        return words[:1].upper() + words[1:]
    return f"{_label(figure)}, {_window(figure)}"


def _row_label(figure: Figure) -> str:
    if figure.group:
        return group_label(figure)
    if figure.measure in DURATION_LABELS:
        return _window(figure)
    return _label(figure) if figure.measure in MEASURE_OF else f"{_label(figure)}, {_window(figure)}"


def _title(shown: Sequence[Figure], meta: Mapping[str, Any]) -> str:
    by = f", by {' and '.join(name.replace('_', ' ') for name in meta['by'])}" if meta.get("by") else ""
    first = shown[0]
    if first.measure in DURATION_LABELS:
        return f"{DURATION_LABELS[first.measure]}{by}"
    labels = list(dict.fromkeys(_label(figure) for figure in shown))
    return f"{labels[0] if len(labels) == 1 else 'Complications'} after a session{by}"


def _notes(rows: Sequence[IntervalRow], shown: Sequence[Figure], meta: Mapping[str, Any]) -> list[str]:
    notes = [interval_key(rows, meta["floors"]["denominator"], f"{shown[0].n_unit} counted")]
    if any(figure.method == "zero_event_upper" for figure in shown):
        notes.append("None seen: the bar ends at the one-sided 95% bound, rounded up.")
    if any("too_few" in figure.flags and figure.n for figure in shown):
        notes.append("A grey bar may run out of the plot; its limit stands beside it.")
    if _squeezed(shown):
        notes.append("Root scale: small shares stand further apart than large ones, so that rare events show.")
    if shown[0].measure in DURATION_LABELS:
        notes.append("Nobody sees the day on which it ends; how it is read: docs/reading_durations.md.")
    if meta.get("chosen"):
        notes.append(chosen_words(meta["chosen"]))
    notes.append(
        f"Data complete to {meta['data_date'] or 'no declared day'}; snapshot {meta['snapshot']}. Those not assessed "
        "are left out, and may differ. Groups differ in more than what they are split by. No forecast for one person, "
        "no verdict."
    )
    return notes
