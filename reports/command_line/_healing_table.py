"""Figures of complications and durations as a table for a terminal of 80 columns."""

from __future__ import annotations

import sys
import textwrap
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

from pipelines import DURATION_LABELS
from pipelines.complication_kinds import (
    ASSESSED,
    COMPLICATION_LABELS,
    EVER,
    ITEMS,
    MEASURE_OF,
    RECORDS,
    class_of,
)
from pipelines.figure import REASON_LABELS, Figure
from pipelines.measures import CLAVIEN_DINDO_OUTSIDE, CLAVIEN_DINDO_RECORDS, LAW_AIC, LOG_RANK_P, QUANTITIES
from registry.durations import time_label

from ..labels import group_label, value_label
from ..wording import level_words, listed, percent_up, whole
from ._figure_table import DIM, LABEL, PLAIN, SHARE, WIDTH, aligned, cell, last_remarks, share_cell

Read = Callable[[Figure], int | None]
_MANY_HEADS = 4

_SESSIONS: Mapping[str, Read] = {
    "Sessions": lambda figure: figure.n,
    "Events": lambda figure: figure.events,
    "Patients": lambda figure: figure.n_clusters,
}
_PATIENTS: Mapping[str, Read] = {"Patients": lambda figure: figure.n, "Events": lambda figure: figure.events}
_DURATION: Mapping[str, Read] = {
    "Sessions": lambda figure: figure.n,
    "Over": lambda figure: figure.events,
    "Followed": lambda figure: figure.at_risk,
}


def is_healing(figures: Sequence[Figure]) -> bool:
    """Whether these figures are laid out here."""
    return bool(figures) and (
        figures[0].measure in COMPLICATION_LABELS
        or figures[0].measure in DURATION_LABELS
        or figures[0].measure == CLAVIEN_DINDO_RECORDS
    )


def healing_lines(figures: Sequence[Figure], meta: Mapping[str, Any], *, styled: bool | None = None) -> Iterator[str]:
    """A table, what is not counted and why, and how to read it, line by line. styled: as `table_lines`."""
    grey = sys.stdout.isatty() if styled is None else styled
    rows = [figure for figure in figures if not _is_note(figure)]
    first = rows[0]
    columns = _DURATION if first.measure in DURATION_LABELS else _PATIENTS if first.n_unit == "patients" else _SESSIONS
    what = "Number" if first.measure in QUANTITIES else "Share"
    yield f"{'':{LABEL}} {f'{what} ({level_words(first.level)} interval)':{SHARE}}" + aligned(columns)
    yield "-" * WIDTH
    heading = ""
    for figure in _in_reading_order(rows, meta):
        if _heading(figure, meta) != heading:
            heading = _heading(figure, meta)
            yield from textwrap.wrap(heading, WIDTH, break_on_hyphens=False)
        *above, label = textwrap.wrap(_row_label(figure, meta), LABEL - 2, break_on_hyphens=False)
        numbers = ["" if (number := read(figure)) is None else whole(number) for read in columns.values()]
        yield from (f"  {part}" for part in above)
        line = f"  {label:{LABEL - 2}} {healing_cell(figure):{SHARE}}" + aligned(numbers).rstrip()
        yield f"{DIM}{line}{PLAIN}" if grey and figure.flags else line
    yield from _not_counted(rows)
    yield from _notes(figures)
    yield from last_remarks(figures, meta, _remarks(rows, meta))


def healing_cell(figure: Figure) -> str:
    """A figure with its interval.

    >>> zero = Figure("m", 140, "sessions", "zero_event_upper", estimate=0.0, lower=0.0, upper=0.02117, events=0)
    >>> healing_cell(zero)
    '0 of 140: below 2.2%'
    """
    few = "too_few" in figure.flags
    if figure.measure == LOG_RANK_P:
        return cell(figure)
    if figure.estimate is None:
        return share_cell(figure)
    if figure.measure in QUANTITIES or figure.measure.endswith("_weight"):
        number = f"{figure.estimate:.1f}" if figure.measure == CLAVIEN_DINDO_RECORDS else f"{figure.estimate:.2f}"
        if figure.method == "zero_event_upper" and figure.upper is not None:
            return f"none: below {_up(figure.upper)}"
        limits = "" if figure.lower is None or figure.upper is None else f" ({figure.lower:.1f} to {figure.upper:.1f})"
        return f"({number}{limits})" if few else f"{number}{limits}"
    if figure.method == "zero_event_upper" and figure.upper is not None:
        text = f"0 of {whole(figure.n)}: below {percent_up(figure.upper)}"
        return f"({text})" if few else text
    return share_cell(figure)


def _up(number: float) -> str:
    """A number with one decimal, never written smaller than it is."""
    return f"{-(-number * 10 // 1) / 10:.1f}"


def _is_note(figure: Figure) -> bool:
    """What is told in words below the table instead of as a row."""
    measure = MEASURE_OF.get(figure.measure)
    return figure.measure == CLAVIEN_DINDO_OUTSIDE or (
        measure is not None and figure.measure in (measure.outside, measure.straddling)
    )


def _in_reading_order(rows: Sequence[Figure], meta: Mapping[str, Any]) -> list[Figure]:
    """All of one share, or of one group's duration, together; otherwise as they are."""
    if not meta.get("sensitivity") and rows[0].measure not in DURATION_LABELS:
        return list(rows)
    headings = list(dict.fromkeys(_heading(figure, meta) for figure in rows))
    return sorted(rows, key=lambda figure: headings.index(_heading(figure, meta)))


def _heading(figure: Figure, meta: Mapping[str, Any]) -> str:
    window = "" if figure.window is None else f", {_window_words(figure.window)}"
    if figure.measure in (LOG_RANK_P, LAW_AIC):
        return QUANTITIES[figure.measure].label
    if figure.measure in DURATION_LABELS:
        label = DURATION_LABELS[figure.measure]
        return f"{label}: {group_label(figure)}" if figure.group and figure.at is not None else label
    if figure.measure == CLAVIEN_DINDO_RECORDS:
        group = group_label(_without(figure, "grade"), "")
        return f"{QUANTITIES[figure.measure].label}{': ' if group else ''}{group}"
    if figure.measure in ASSESSED.values():
        return (
            f"Assessed, of those due{window}" if not figure.group else f"{COMPLICATION_LABELS[figure.measure]}{window}"
        )
    measure = MEASURE_OF[figure.measure]
    if meta.get("sensitivity"):
        group = f": {group_label(figure)}" if figure.group else ""
        return f"{measure.label}{window}{group}"
    words = _window_words(figure.window or EVER)
    return f"{measure.label}{window}" if figure.group else words[0].upper() + words[1:]


def _row_label(figure: Figure, meta: Mapping[str, Any]) -> str:
    if figure.measure == LOG_RANK_P:
        return "all groups recorded"
    if figure.measure == LAW_AIC:
        return group_label(figure, "all") if "law" in figure.group else f"{group_label(figure, 'all')}: none fits"
    if figure.measure in DURATION_LABELS:
        return f"at {time_label(figure.at)}" if figure.at is not None else group_label(figure, "all")
    if figure.measure == CLAVIEN_DINDO_RECORDS:
        grade = figure.group["grade"]
        return "Grade not recorded" if grade == "not recorded" else value_label("clavien_dindo", grade)
    if figure.measure in ASSESSED.values():
        return group_label(figure) if figure.group else COMPLICATION_LABELS[figure.measure].partition(":")[0]
    measure = MEASURE_OF[figure.measure]
    if meta.get("sensitivity"):
        return measure.roles[figure.measure]
    return group_label(figure) if figure.group else measure.label


def _window_words(window: str) -> str:
    return EVER if window == EVER else f"within {time_label(int(window.removeprefix('0-')))}"


def _without(figure: Figure, name: str) -> Figure:
    group = {field: value for field, value in figure.group.items() if field != name}
    return Figure(figure.measure, figure.n, figure.n_unit, figure.method, group=group)


def _not_counted(rows: Sequence[Figure]) -> Iterator[str]:
    """What is not counted, by reason, once for all figures of one denominator."""
    by_reasons: dict[str, list[str]] = {}
    for figure in rows:
        if figure.not_counted and figure.measure not in ASSESSED.values():
            reasons = "; ".join(f"{REASON_LABELS[reason]} {whole(n)}" for reason, n in figure.not_counted.items())
            heads = by_reasons.setdefault(reasons, [])
            if (head := _denominator(figure)) not in heads:
                heads.append(head)
    if by_reasons:
        yield ""
        yield f"Not counted ({rows[0].n_unit}):"
    for reasons, heads in by_reasons.items():
        named = heads if len(heads) <= _MANY_HEADS else [*heads[: _MANY_HEADS - 1], f"{len(heads) - 3} more"]
        line = f"{listed(named)}: {reasons}" if any(heads) else reasons
        yield from textwrap.wrap(line, WIDTH, initial_indent="  ", subsequent_indent="    ")


def _denominator(figure: Figure) -> str:
    """What shares a denominator: a kind with an item, all kinds known from records, or all."""
    group = group_label(_without(figure, "grade"), "")
    if figure.measure not in MEASURE_OF:
        return group
    name = class_of(MEASURE_OF[figure.measure].kind)
    label = "Kinds known from records" if name == RECORDS else MEASURE_OF[figure.measure].label.partition(",")[0]
    window = f", {_window_words(figure.window)}" if figure.window else ""
    return f"{label}{window}{f' ({group})' if group else ''}"


def _notes(figures: Sequence[Figure]) -> Iterator[str]:
    """Events that are not divided, and those that may have fallen after the window."""
    for title, role in (
        ("Events known outside the denominator, not divided:", "outside"),
        ("Counted, but told by a contact after the window, so perhaps later:", "straddling"),
    ):
        found = [
            figure
            for figure in figures
            if (figure.measure in MEASURE_OF and figure.measure == getattr(MEASURE_OF[figure.measure], role))
            or (role == "outside" and figure.measure == CLAVIEN_DINDO_OUTSIDE)
        ]
        if found:
            yield ""
            yield title
        for figure in found:
            group = group_label(figure, "")
            label = MEASURE_OF[figure.measure].label if figure.measure in MEASURE_OF else "All grades"
            window = f", {_window_words(figure.window)}" if figure.window else ""
            reasons = "; ".join(
                f"{'record without a day of onset' if reason == 'not_counted' else REASON_LABELS[reason]} {whole(n)}"
                for reason, n in figure.not_counted.items()
            )
            line = f"{label}{window}{f' ({group})' if group else ''}: {whole(figure.events or 0)}"
            line += f" ({reasons})" if reasons else ""
            yield from textwrap.wrap(line, WIDTH, initial_indent="  ", subsequent_indent="    ")


def _remarks(rows: Sequence[Figure], meta: Mapping[str, Any]) -> Iterator[str]:
    """How to read what stands above."""
    kinds = {MEASURE_OF[figure.measure].kind for figure in rows if figure.measure in MEASURE_OF}
    severities = set(meta.get("severities", ()))
    if any(figure.method == "zero_event_upper" for figure in rows):
        patients = " With several sessions a patient it counts patients." if rows[0].n_unit == "sessions" else ""
        yield f"None seen: the one-sided {level_words(rows[0].level)} bound, rounded up.{patients}"
    if kinds:
        records = [kind for kind in kinds if kind not in ITEMS]
        if records:
            yield (
                "Kinds known from records alone: a session counts once there was a contact on or after the window's "
                "end. What was never recorded reads as none."
            )
        if len(records) < len(kinds):
            yield (
                "Kinds asked for at contacts: a session counts where the question was answered at every contact up to "
                "one on or after the window's end."
            )
        if any(figure.window == EVER for figure in rows):
            yield "Ever: to the end of what is known, which differs between sessions and groups."
        if severities - {"any"} and "swelling" in kinds:
            yield "Swelling: moderate and severe as told at contacts; other kinds by what it took to treat."
        if "numbness" in kinds:
            yield "Numbness found at visits is no part of this: graftledger figures duration --of numbness."
        if meta.get("sensitivity"):
            yield (
                "Weights put those assessed in place of those missing of the same age band, site and technique. They "
                "cannot mend absence that has to do with the complication itself."
            )
    if rows[0].measure in DURATION_LABELS:
        yield (
            "Nobody sees the day on which it ends: the share is the middle between what visits allow at least and at "
            "most. Over: known to have ended by then. Followed: looked at then or later. docs/reading_durations.md."
        )
        if any(figure.measure == LOG_RANK_P for figure in rows):
            yield "The test leaves out groups not recorded, and assumes that all are looked at on like schedules."
        if any(figure.measure == LAW_AIC for figure in rows):
            yield (
                "Laws with a formula: lower AIC fits better, a difference under about 2 decides nothing. Each lets it "
                "end for everybody some day, so hold them against the shares above; none is told past the last look."
            )
    if rows[0].measure == CLAVIEN_DINDO_RECORDS:
        yield (
            "Events are records, so one session may have several. Grades by Dindo, Demartines & Clavien 2004, made for "
            "general surgery. A practice that records more looks worse."
        )
