"""Figures as a table for a terminal of 80 columns."""

from __future__ import annotations

import sys
import textwrap
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

from pipelines.figure import REASON_LABELS, Figure
from pipelines.measures import GRAFT_SURVIVAL_CAPPED, MEASURE_LABELS, NEXT_SESSION_MEASURES
from registry.durations import time_label

from ..labels import group_label
from ..wording import decimals_for, percent, whole

WIDTH = 80
_LABEL, _SHARE, _NUMBER = 27, 24, 9
_DIM, _PLAIN = "\x1b[2m", "\x1b[0m"

_COLUMNS: Mapping[str, Mapping[str, Callable[[Figure], int | None]]] = {
    "patients": {
        "Patients": lambda figure: figure.n,
        "Events": lambda figure: figure.events,
        "At risk": lambda figure: figure.at_risk,
    },
    "sessions": {
        "Sessions": lambda figure: figure.n,
        "Events": lambda figure: figure.events,
        "Patients": lambda figure: figure.n_clusters,
    },
    "areas": {
        "Areas": lambda figure: figure.n,
        "Patients": lambda figure: figure.n_clusters,
        "Grafts": lambda figure: figure.at_risk,
    },
}
"""The numbers shown beside a share, by what it counts."""


def table_lines(figures: Sequence[Figure], meta: Mapping[str, Any], *, styled: bool | None = None) -> Iterator[str]:
    """A table, who is not counted and why, and what the figures rest on, line by line.

    styled: grey what should not be relied on; None: where the output is a terminal.
    """
    grey = sys.stdout.isatty() if styled is None else styled
    columns = _COLUMNS[figures[0].n_unit]
    yield f"{'':{_LABEL}} {f'Share ({figures[0].level:.0%} interval)':{_SHARE}}" + _aligned(columns)
    yield "-" * WIDTH
    heading = ""
    for figure in figures:
        if _heading(figure) != heading:
            heading = _heading(figure)
            yield from textwrap.wrap(heading, WIDTH)
        *above, label = textwrap.wrap(_row_label(figure), _LABEL - 2)
        numbers = ["" if (number := read(figure)) is None else whole(number) for read in columns.values()]
        yield from (f"  {part}" for part in above)
        line = f"  {label:{_LABEL - 2}} {share_cell(figure):{_SHARE}}" + _aligned(numbers)
        yield f"{_DIM}{line}{_PLAIN}" if grey and figure.flags else line
    yield from _not_counted(figures)
    yield from _remarks(figures, meta)


def share_cell(figure: Figure) -> str:
    """The share with its interval; in parentheses where too few stand behind it; or why there is none.

    >>> share_cell(Figure("m", 90, "sessions", "wilson", estimate=0.312, lower=0.28, upper=0.346))
    '31.2% (28.0 to 34.6)'
    """
    if figure.estimate is None:
        if "beyond_follow_up" in figure.flags:
            return "beyond follow-up"
        return "nobody counted" if figure.n == 0 else "not shown"
    share = percent(figure.estimate)
    few = "too_few" in figure.flags
    if figure.lower is None or figure.upper is None:
        return f"({share})" if few else share
    places = decimals_for(figure.estimate)
    limits = f"{figure.lower * 100:.{places}f} to {figure.upper * 100:.{places}f}"
    return f"({share}, {limits})" if few else f"{share} ({limits})"


def _aligned(cells: Iterator[str] | Sequence[str] | Mapping[str, Any]) -> str:
    return "".join(f"{cell:>{_NUMBER}}" for cell in cells)


def _heading(figure: Figure) -> str:
    """What stands above a block of rows: the measure with its group, its milestone or its window."""
    label = MEASURE_LABELS.get(figure.measure, figure.measure)
    if figure.measure in NEXT_SESSION_MEASURES:
        return f"{label}: {_group(figure)}"
    if figure.at is not None:
        return f"{label}, {time_label(figure.at)}"
    return f"{label}, days {figure.window}" if figure.window else label


def _row_label(figure: Figure) -> str:
    if figure.measure in NEXT_SESSION_MEASURES and figure.at is not None:
        return f"within {time_label(figure.at)}"
    return _group(figure)


def _group(figure: Figure) -> str:
    """The group in words; those first operated on elsewhere are named as such."""
    if "first_operated" not in figure.group:
        return group_label(figure, "all")
    others = {name: value for name, value in figure.group.items() if name != "first_operated"}
    words = group_label(Figure(figure.measure, 0, figure.n_unit, figure.method, group=others), "all")
    return f"{words}, first operated on elsewhere"


def _not_counted(figures: Sequence[Figure]) -> Iterator[str]:
    """Who is not counted, by reason, once for all times of a group."""
    lines: dict[str, None] = {}
    for figure in figures:
        if figure.not_counted and figure.measure != GRAFT_SURVIVAL_CAPPED:
            head = _heading(figure)
            if figure.measure not in NEXT_SESSION_MEASURES and figure.group:
                head += f", {_group(figure)}"
            reasons = "; ".join(f"{REASON_LABELS[reason]} {whole(n)}" for reason, n in figure.not_counted.items())
            lines[f"{head}: {reasons}"] = None
    if lines:
        yield ""
        yield "Not counted (patients):" if figures[0].n_unit == "patients" else "Not counted (sessions):"
    for line in lines:
        yield from textwrap.wrap(line, WIDTH, initial_indent="  ", subsequent_indent="    ")


def _remarks(figures: Sequence[Figure], meta: Mapping[str, Any]) -> Iterator[str]:
    """How to read the table, and what it rests on."""
    remarks = []
    if any("too_few" in figure.flags and figure.n for figure in figures):
        floors = meta["floors"]
        remarks.append(
            f"In parentheses: too few to rely on (fewer than {floors['at_risk']} followed at some time up to then, or "
            f"than {floors['denominator']} in the denominator)."
        )
    above = sum(figure.events or 0 for figure in figures if figure.measure == GRAFT_SURVIVAL_CAPPED)
    if above:
        remarks.append(f"{whole(above)} area(s) had more grafts growing than were placed in them.")
    remarks.append(f"Data complete to {meta['data_date'] or 'no declared day'}; snapshot {meta['snapshot']}.")
    for remark in remarks:
        yield ""
        yield from textwrap.wrap(remark, WIDTH)
