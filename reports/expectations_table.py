"""Statements held against the records, as a table and in words."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from pipelines.expectations import Judgement

from . import wording
from .layout import Cell, Row, Table

CAUTION = (
    "A statement is judged by its 90% interval: supported where all of it lies inside what is said, not supported "
    "where it lies outside, else it cannot be told yet. Of twenty statements one may be misjudged by chance. It is the "
    "statement that is judged, nobody's work."
)


def expectations_table(
    judged: Sequence[Judgement], earlier: Sequence[Judgement] = (), *, own: bool, day: date | None = None
) -> Table:
    """Each statement with its verdict, and the verdict of an earlier day beside it where there is one.

    own: whether the statements are the practice's; else they are the starter list. day: of the earlier look.
    """
    rows = []
    for place, found in enumerate(judged):
        cells = [
            Cell(found.verdict.value.capitalize(), few=found.figure.estimate is None),
            Cell(*_seen(found), few=found.figure.estimate is None or "too_few" in found.figure.flags),
        ]
        if earlier:
            then = earlier[place]
            changed = then.verdict is not found.verdict
            cells.append(Cell(then.verdict.value.capitalize() if changed else "The same", (_seen(then)[0],)))
        rows.append(Row(found.statement.says, tuple(cells)))
    before = (f"On {wording.date_words(day)}",) if earlier else ()
    source = () if own else ("The starter list: common practice, no source. It is not what this practice says.",)
    return Table(
        "What patients are told, held against the records",
        ("What is said", "Judgement", "Seen", *before),
        tuple(rows),
        (*source, CAUTION),
        words=(1, 2, *((3,) if earlier else ())),
    )


def seen_words(found: Judgement) -> str:
    """What was seen, and how many cases would settle what cannot be told yet, as a sentence."""
    text, more = _seen(found)
    return ". ".join((text, *more)) + "."


def _seen(found: Judgement) -> tuple[str, tuple[str, ...]]:
    """The share, then of how many, then what would settle it."""
    figure = found.figure
    of = f"{wording.whole(figure.n)} {figure.n_unit}"
    if figure.estimate is None or "too_few" in figure.flags:
        text = f"{of}, too few"
    else:
        text = f"{wording.percent(figure.estimate)} ({wording.interval_words(figure)}) of {of}"
    settles = (
        (f"About {wording.whole(found.cases_needed)} {figure.n_unit} would settle it, if it is true",)
        if found.cases_needed is not None and found.cases_needed > figure.n
        else ()
    )
    return text, settles
