"""Figures as a table for a terminal of 80 columns."""

from __future__ import annotations

import sys
import textwrap
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any

from pipelines.figure import REASON_LABELS, Figure
from pipelines.measures import (
    GRAFT_SURVIVAL,
    GRAFT_SURVIVAL_CAPPED,
    GRAY_P,
    LOG_RANK_P,
    MEASURE_LABELS,
    OVER_TIME,
    QUANTITIES,
)
from pipelines.next_session import sentence_of
from registry.durations import time_label
from registry.milestones import mature_window_label

from ..labels import chosen_words, group_label
from ..wording import decimals_for, p_words, percent, time_words, whole

WIDTH = 80
LABEL, SHARE, _NUMBER = 27, 24, 9
DIM, PLAIN = "\x1b[2m", "\x1b[0m"
MORE_THAN_PLACED = (
    "Above 100%: more was seen growing than was placed. Either hairs that stood there before were taken for grafts, or "
    "counts are wrong: check them before anything else."
)

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
    what = "Number" if figures[0].measure in QUANTITIES else "Share"
    if figures[0].measure in QUANTITIES and QUANTITIES[figures[0].measure].unit == "days":
        what = "Time"
    yield f"{'':{LABEL}} {f'{what} ({figures[0].level:.0%} interval)':{SHARE}}" + aligned(columns)
    yield "-" * WIDTH
    heading = ""
    for figure in figures:
        if _heading(figure) != heading:
            heading = _heading(figure)
            yield from textwrap.wrap(heading, WIDTH)
        *above, label = textwrap.wrap(_row_label(figure), LABEL - 2)
        numbers = ["" if (number := read(figure)) is None else whole(number) for read in columns.values()]
        yield from (f"  {part}" for part in above)
        line = f"  {label:{LABEL - 2}} {cell(figure):{SHARE}}" + aligned(numbers)
        yield f"{DIM}{line}{PLAIN}" if grey and figure.flags else line
    yield from _not_counted(figures)
    yield from _remarks(figures, meta)


def cell(figure: Figure) -> str:
    """A figure with its interval, whatever its unit.

    >>> cell(Figure("further_sessions_per_patient", 9, "patients", "m", estimate=0.3, lower=0.25, upper=0.36))
    '0.30 (0.25 to 0.36)'
    >>> cell(Figure("days_to_next_session", 9, "patients", "m", estimate=1764.0, lower=1459.0))
    '4.8 years (from 4.0)'
    >>> cell(Figure("log_rank_p_value", 9, "patients", "log_rank", estimate=0.0213))
    '0.021'
    """
    quantity = QUANTITIES.get(figure.measure)
    if quantity is None or (figure.estimate is None and figure.flags):
        return share_cell(figure)
    if figure.estimate is None:
        return "not reached" if quantity.unit == "days" else "nothing to compare"
    if figure.measure in (LOG_RANK_P, GRAY_P):
        return p_words(figure.estimate)
    if quantity.unit == "days":
        words, unit = time_words(figure.estimate).split()
        scale, places = {"days": (1.0, 0), "months": (365.25 / 12, 1), "years": (365.25, 1)}[unit]
        number = f"{words} {unit}"
    else:
        scale, places = 1.0, 2
        number = f"{figure.estimate:.2f}"

    def read(limit: float) -> str:
        return f"{limit / scale:.{places}f}"

    limits = ""
    if figure.lower is not None and figure.upper is not None:
        between = "-" if quantity.unit == "days" else " to "  # a time takes more room
        limits = f"{read(figure.lower)}{between}{read(figure.upper)}"
    elif figure.lower is not None:
        limits = f"from {read(figure.lower)}"
    if "too_few" in figure.flags:
        return f"({number}, {limits})" if limits else f"({number})"
    return f"{number} ({limits})" if limits else number


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


def aligned(cells: Iterator[str] | Sequence[str] | Mapping[str, Any]) -> str:
    """Numbers, or their titles, side by side."""
    return "".join(f"{cell:>{_NUMBER}}" for cell in cells)


def _heading(figure: Figure) -> str:
    """What stands above a block of rows: the measure with its group, its milestone or its window."""
    quantity = QUANTITIES.get(figure.measure)
    label = quantity.label if quantity else MEASURE_LABELS.get(figure.measure, figure.measure)
    if figure.measure in OVER_TIME:
        return f"{label}: {_group(figure)}" if figure.group else label
    if "share" in figure.group:
        return f"{label}: {_group(figure)}" if len(figure.group) > 1 else label
    if figure.at is not None:
        return f"{label}, {time_label(figure.at)}"
    return f"{label}, days {figure.window}" if figure.window else label


def _row_label(figure: Figure) -> str:
    if figure.measure in OVER_TIME and figure.at is not None:
        return f"within {time_label(figure.at)}"
    return figure.group["share"] if "share" in figure.group else _group(figure)


def _group(figure: Figure) -> str:
    """The group in words; those first operated on elsewhere are named as such."""
    others = {name: value for name, value in figure.group.items() if name not in ("first_operated", "share")}
    words = group_label(Figure(figure.measure, 0, figure.n_unit, figure.method, group=others), "all")
    return f"{words}, first operated on elsewhere" if "first_operated" in figure.group else words


def _not_counted(figures: Sequence[Figure]) -> Iterator[str]:
    """Who is not counted, by reason: once for a group where all its figures leave out the same ones."""
    by_group: dict[str, dict[str, list[str]]] = {}
    for figure in figures:
        if figure.not_counted and figure.measure != GRAFT_SURVIVAL_CAPPED:
            reasons = "; ".join(f"{REASON_LABELS[reason]} {whole(n)}" for reason, n in figure.not_counted.items())
            heads = by_group.setdefault(_group(figure) if figure.group else "", {}).setdefault(reasons, [])
            heads.append(_heading(figure))
    if by_group:
        yield ""
        yield "Not counted (patients):" if figures[0].n_unit == "patients" else "Not counted (sessions):"
    for group, by_reasons in by_group.items():
        for reasons, heads in by_reasons.items():
            names = (
                [group] if len(by_reasons) == 1 else [f"{head}, {group}" if group else head for head in unique(heads)]
            )
            for name in names:
                line = f"{name}: {reasons}" if name else reasons
                yield from textwrap.wrap(line, WIDTH, initial_indent="  ", subsequent_indent="    ")


def unique(items: Sequence[str]) -> list[str]:
    """Each item once, in the order of its first place."""
    return list(dict.fromkeys(items))


def _remarks(figures: Sequence[Figure], meta: Mapping[str, Any]) -> Iterator[str]:
    """How to read the table, and what it rests on."""
    sentence = sentence_of(meta)
    first = [sentence] if sentence else []
    above = sum(figure.events or 0 for figure in figures if figure.measure == GRAFT_SURVIVAL_CAPPED)
    last = [f"{whole(above)} area(s) had more grafts growing than were placed in them."] if above else []
    if any(figure.measure == GRAFT_SURVIVAL and "alert" in figure.flags for figure in figures):
        last.append(MORE_THAN_PLACED)
    if figures[0].measure == GRAFT_SURVIVAL and "window" in meta:
        last.append(f"Counts made {mature_window_label(meta['window'])} after surgery.")
    yield from last_remarks(figures, meta, first, last)


def last_remarks(
    figures: Sequence[Figure], meta: Mapping[str, Any], first: Iterable[str], last: Iterable[str] = ()
) -> Iterator[str]:
    """Remarks that stand below any table: some first, then who was chosen and what is too few; the data last."""
    remarks = list(first)
    if meta.get("chosen"):
        remarks.append(chosen_words(meta["chosen"]))
    if any("too_few" in figure.flags and figure.n for figure in figures):
        floors = meta["floors"]
        remarks.append(
            f"In parentheses: too few to rely on (fewer than {floors['at_risk']} followed at some time up to then, or "
            f"than {floors['denominator']} in the denominator)."
        )
    remarks += last
    remarks.append(f"Data complete to {meta['data_date'] or 'no declared day'}; snapshot {meta['snapshot']}.")
    for remark in remarks:
        yield ""
        yield from textwrap.wrap(remark, WIDTH)
