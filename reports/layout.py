"""What a page is made of: tables and pictures, filled with words, ready to be laid out."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from pipelines import NOT_COUNTED_REASONS, Figure

from . import wording
from .charts import Drawing


@dataclass(frozen=True)
class Cell:
    """One cell of a table.

    text: what is read first. more: quieter lines below it. few: whether it rests on too few, and is greyed.
    """

    text: str
    more: tuple[str, ...] = ()
    few: bool = False


@dataclass(frozen=True)
class Row:
    """One row: its heading and its cells. A row without cells is a heading over the rows that follow."""

    head: str
    cells: tuple[Cell, ...] = ()
    more: str = ""


@dataclass(frozen=True)
class Table:
    """A table.

    heads: the first stands over the row headings. words: columns of words, which are set to the left, counted from 0.
    """

    caption: str
    heads: tuple[str, ...]
    rows: tuple[Row, ...]
    notes: tuple[str, ...] = ()
    words: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        for row in self.rows:
            if row.cells and len(row.cells) != len(self.heads) - 1:
                raise ValueError(f"{self.caption}: row {row.head} does not fill the columns")


@dataclass(frozen=True)
class Picture:
    """A chart with its text alternative.

    narrow: the same chart for a telephone, where the first would be too small to read.
    """

    drawing: Drawing
    words: str
    title: str = ""
    narrow: Drawing | None = None


@dataclass(frozen=True)
class Paragraph:
    """Words of a person.

    words: texts, each after its mark: bold, italic or none. is_item: whether it is one of a list.
    """

    words: tuple[tuple[str, str], ...]
    is_item: bool = False


@dataclass(frozen=True)
class Section:
    """One part of a report: the template that lays it out, and what the template takes.

    comment: what a person has to say about it, set apart from the figures.
    """

    id: str
    heading: str
    template: str
    content: Mapping[str, Any] = field(default_factory=dict)
    comment: tuple[Paragraph, ...] = ()

    @property
    def tables(self) -> tuple[Table, ...]:
        """Its tables, in the order in which the content names them."""
        return tuple(_tables(self.content.values()))


def _tables(values: Iterable[Any]) -> Iterator[Table]:
    for value in values:
        if isinstance(value, Table):
            yield value
        elif isinstance(value, list | tuple):
            yield from _tables(value)


def share_cell(figure: Figure | None, *, at_risk: bool = False) -> Cell:
    """A share with its interval; why there is none; a dash where the figure was not asked for."""
    if figure is None:
        return Cell("–")
    few = "too_few" in figure.flags
    more = [limits] if (limits := wording.interval_words(figure)) else []
    if at_risk and figure.estimate is not None and figure.at_risk is not None:
        more.append(f"{wording.whole(figure.at_risk)} at risk")
    if few and figure.n:
        more.append("too few")
    return Cell(wording.estimate_words(figure), tuple(more), few or figure.estimate is None)


def not_counted_table(
    caption: str, head: str, labelled: Sequence[tuple[str, Figure]], counted: str, notes: tuple[str, ...] = ()
) -> Table:
    """Per figure: how many are counted and, by reason, how many are not. Reasons that never occur are left out.

    head: over the row headings. counted: over the column of those counted.
    """
    reasons = [name for name in NOT_COUNTED_REASONS if any(figure.not_counted.get(name) for _, figure in labelled)]
    return Table(
        caption,
        (head, counted, *(capitalised(wording.reason_words(name)) for name in reasons)),
        tuple(
            Row(
                label,
                (
                    Cell(wording.whole(figure.n)),
                    *(Cell(wording.whole(figure.not_counted.get(name, 0))) for name in reasons),
                ),
            )
            for label, figure in labelled
        ),
        notes if reasons else ("None is left out.",),
    )


def picked(figures: Sequence[Figure], measure: str, at: int | None = None) -> list[Figure]:
    """The figures of one measure, at one time where it is given, in their order."""
    return [figure for figure in figures if figure.measure == measure and (at is None or figure.at == at)]


def capitalised(text: str) -> str:
    """The text with its first letter large and the rest as it is."""
    return text[:1].upper() + text[1:]
