"""Figures of graft counts and donor records as a table for a terminal of 80 columns."""

from __future__ import annotations

import sys
import textwrap
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

from pipelines.figure import REASON_LABELS, Figure
from pipelines.graft_measures import (
    ABOVE_PLACED,
    BELOW_80,
    DONOR_DENSITY,
    GRAFT_QUANTITIES,
    GRAFT_SHARE_LABELS,
    GRAFTS_PLACED_SO_FAR,
    GROWTH,
    HAIR_SURVIVAL,
    HAIR_SURVIVAL_CAPPED,
    READING_BIAS,
    WITHIN_PATIENT,
    YIELD_WEIGHTED,
)
from registry.durations import time_label
from registry.milestones import mature_window_label

from ..labels import group_label, value_label
from ..wording import level_words, whole
from ._figure_table import DIM, LABEL, MORE_THAN_PLACED, PLAIN, SHARE, WIDTH, aligned, last_remarks, share_cell

Read = Callable[[Figure], int | None]
_COLUMNS: Mapping[str, Mapping[str, Read]] = {
    "areas": {
        "Areas": lambda figure: figure.n,
        "Patients": lambda figure: figure.n_clusters,
        "Placed": lambda figure: figure.at_risk,
    },
    "sessions": {"Sessions": lambda figure: figure.n, "Patients": lambda figure: figure.n_clusters},
    "pairs": {"Pairs": lambda figure: figure.n, "Patients": lambda figure: figure.n_clusters},
}
_NOT_TOLD: Mapping[str, Read] = {"Not told": lambda figure: sum(figure.not_counted.values())}
"""Beside rows by session number, where those left out differ from row to row."""
_OWN = ("method", "area_choice", "reading", "session", "site_code", "surgeon_code")
"""Parts of a group that an analysis makes itself: they name the row."""

_REMARKS: Mapping[str, str] = {
    HAIR_SURVIVAL: "Hairs seen less those that stood there before, of hairs placed; areas without all three numbers "
    "are not told.",
    BELOW_80: "Shares of patients below a yield are the model's: of yields as they are, free of the chance in "
    "counting few grafts. "
    "The mean is of patients; the share that graft-survival prints is of grafts.",
    ABOVE_PLACED: "Areas with more growing than placed are left out of the model, and kept by graft-survival.",
    GROWTH: "Up to month 12 the share can only rise: months that contradict each other are joined. Month by month "
    "other areas were counted. The length of hair is not in the records, so nothing is said of it.",
    READING_BIAS: "19 of 20 differences between two readings lie between the limits of agreement. A correlation is low "
    "where areas are alike, however well readers agree.",
    YIELD_WEIGHTED: "Weights let those counted stand in for those of the same age, site and technique. Where return "
    "depends on the result itself they mend nothing, and nothing warns of it: only the two bounds hold. How many "
    "were counted tells of follow-up, not of skill: no verdict on a surgeon or a site.",
    GRAFTS_PLACED_SO_FAR: "Up to a session: over all the patient's sessions; where one of them does not say, the sum "
    "is not told.",
    DONOR_DENSITY: "The donor area is a size to picture: grafts taken, at the density measured before the first "
    "surgery.",
}


def is_graft(figures: Sequence[Figure]) -> bool:
    """Whether these figures are laid out here."""
    return bool(figures) and (figures[0].measure in GRAFT_SHARE_LABELS or figures[0].measure in GRAFT_QUANTITIES)


def graft_lines(figures: Sequence[Figure], meta: Mapping[str, Any], *, styled: bool | None = None) -> Iterator[str]:
    """A table, what is not counted and why, and how to read it, line by line. styled: as `table_lines`."""
    grey = sys.stdout.isatty() if styled is None else styled
    by_number = any("session" in figure.group for figure in figures)
    columns = {**_COLUMNS[figures[0].n_unit], **(_NOT_TOLD if by_number else {})}
    measures = list(dict.fromkeys(figure.measure for figure in figures))
    yield f"{'':{LABEL}} {f'Value ({level_words(figures[0].level)} interval)':{SHARE}}" + aligned(columns)
    yield "-" * WIDTH
    heading = ""
    for figure in sorted(figures, key=lambda figure: measures.index(figure.measure)):
        if _heading(figure) != heading:
            heading = _heading(figure)
            yield from textwrap.wrap(heading, WIDTH)
        *above, label = textwrap.wrap(_row_label(figure), LABEL - 2)
        yield from (f"  {part}" for part in above)
        numbers = ["" if (number := read(figure)) is None else whole(number) for read in columns.values()]
        line = f"  {label:{LABEL - 2}} {graft_cell(figure):{SHARE}}" + aligned(numbers)
        yield f"{DIM}{line}{PLAIN}" if grey and figure.flags else line
    yield from _not_counted(figures)
    yield from last_remarks(figures, meta, _remarks(figures, meta))


def graft_cell(figure: Figure) -> str:
    """A figure with its limits, a share or a number.

    >>> graft_cell(Figure("hairs_per_graft", 9, "sessions", "m", estimate=2.156, lower=2.1, upper=2.2))
    '2.16 (2.10 to 2.20)'
    >>> graft_cell(Figure("grafts_placed_so_far", 9, "sessions", "m", estimate=3436.2, lower=3381.0, upper=3490.5))
    '3,436 (3,381 to 3,490)'
    """
    quantity = GRAFT_QUANTITIES.get(figure.measure)
    if quantity is None and figure.measure != WITHIN_PATIENT:
        return "not told" if "alert" in figure.flags and figure.estimate is None else share_cell(figure)
    if figure.estimate is None:
        return "not told"
    grafts = quantity is not None and quantity[1] == "grafts"
    number, *limits = (
        None if value is None else whole(round(value)) if grafts else f"{value:.{_places(figure)}f}"
        for value in (figure.estimate, figure.lower, figure.upper)
    )
    between = f" to {limits[1]}" if limits[0] is not None else ""
    few = "too_few" in figure.flags
    if limits[0] is None:
        return f"({number})" if few else str(number)
    return f"({number}, {limits[0]}{between})" if few else f"{number} ({limits[0]}{between})"


def _places(figure: Figure) -> int:
    return 3 if figure.measure == WITHIN_PATIENT else 1 if abs(figure.estimate or 0) >= 10 else 2


def _heading(figure: Figure) -> str:
    quantity = GRAFT_QUANTITIES.get(figure.measure)
    label = quantity[0] if quantity else GRAFT_SHARE_LABELS[figure.measure]
    strata = _strata(figure)
    return f"{label}: {strata}" if strata and _own(figure) else label


def _row_label(figure: Figure) -> str:
    return _own(figure) or _strata(figure) or "All"


def _own(figure: Figure) -> str:
    """What the analysis itself tells apart."""
    if figure.at is not None:
        return time_label(figure.at)
    names = [name for name in figure.group if name in _OWN and name in list(figure.group)[-1:]]
    if not names:
        return ""
    value = figure.group[names[0]]
    if names[0] == "session":
        return f"Session {value}"
    if names[0] == "surgeon_code":
        return f"Surgeon {value}"
    label = value_label(names[0], value)
    return label[:1].upper() + label[1:]


def _strata(figure: Figure) -> str:
    """The group that was asked for."""
    own = set() if figure.at is not None else set(list(figure.group)[-1:]) & set(_OWN)
    asked = {name: value for name, value in figure.group.items() if name not in own}
    return group_label(Figure(figure.measure, 0, figure.n_unit, figure.method, group=asked), "")


def _not_counted(figures: Sequence[Figure]) -> Iterator[str]:
    """Sessions that are not counted, by reason, once a group where all its figures leave out the same ones.

    Tables by session number have them in a column.
    """
    told: dict[str, dict[str, str]] = {}
    for figure in figures:
        if figure.not_counted and "session" not in figure.group:
            reasons = "; ".join(f"{REASON_LABELS[reason]} {whole(n)}" for reason, n in figure.not_counted.items())
            told.setdefault(_strata(figure), {}).setdefault(reasons, _heading(figure))
    if told:
        yield ""
        yield "Not counted (sessions):"
    for group, by_reasons in told.items():
        for reasons, heading in by_reasons.items():
            names = [group, heading if len(by_reasons) > 1 else ""]
            name = ", ".join(part for part in names if part)
            line = f"{name}: {reasons}" if name else reasons
            yield from textwrap.wrap(line, WIDTH, initial_indent="  ", subsequent_indent="    ")


def _remarks(figures: Sequence[Figure], meta: Mapping[str, Any]) -> list[str]:
    """How to read what is there."""
    measures = {figure.measure for figure in figures}
    remarks = [text for measure, text in _REMARKS.items() if measure in measures]
    above = sum(figure.events or 0 for figure in figures if figure.measure == HAIR_SURVIVAL_CAPPED)
    if above:
        remarks.append(f"{whole(above)} area(s) had more hairs growing than were placed in them.")
    if "window" in meta:
        remarks.append(f"Counts made {mature_window_label(meta['window'])} after surgery.")
    alerts = [figure for figure in figures if "alert" in figure.flags]
    if any(figure.estimate is not None for figure in alerts):
        remarks.append(MORE_THAN_PLACED)
    if any(figure.estimate is None for figure in alerts):
        remarks.append("Not told: every graft grew, or none, or fewer hairs stood there than before surgery.")
    return remarks
