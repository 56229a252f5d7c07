"""Shares with intervals: one list of rows, shown as a table and in words."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from pipelines import MEASURE_LABELS, Figure

from .. import wording
from ..charts import IntervalRow
from ..labels import group_label
from ..layout import Cell, Row, Table, share_cell
from ._data import AuditData


def rows_of(
    figures: Sequence[Figure],
    data: AuditData,
    label: Callable[[Figure], str] = lambda figure: MEASURE_LABELS[figure.measure],
) -> list[IntervalRow]:
    """One row a figure, with the practice's benchmark where one is set."""
    marks = data.settings.benchmarks
    return [
        IntervalRow(label(figure), figure, marks[figure.measure].share if figure.measure in marks else None)
        for figure in figures
    ]


def rows_under(heading: str, figures: Sequence[Figure], data: AuditData) -> list[IntervalRow]:
    """A heading and, below it, one row a group."""
    return [IntervalRow(heading), *rows_of(figures, data, group_label)]


def share_table(
    caption: str,
    rows: Sequence[IntervalRow],
    *,
    head: str,
    counted: str,
    share: str = "Share",
    events: str | None = "Events",
    at_risk: str | None = None,
    notes: tuple[str, ...] = (),
) -> Table:
    """Shares with all they rest on; a column of benchmarks where one is set.

    head, counted, share, events, at_risk: over the columns; without `events` or `at_risk` that column is left out.
    """
    with_benchmark = any(row.benchmark is not None for row in rows)
    heads = [
        head,
        *([events] if events else []),
        counted,
        "Patients",
        *([at_risk] if at_risk else []),
        share,
        *(["Benchmark"] if with_benchmark else []),
    ]
    return Table(
        caption,
        tuple(heads),
        tuple(
            Row(row.label)
            if row.figure is None
            else Row(row.label, _cells(row, row.figure, bool(events), bool(at_risk), with_benchmark))
            for row in rows
        ),
        notes,
    )


def _cells(row: IntervalRow, figure: Figure, events: bool, at_risk: bool, with_benchmark: bool) -> tuple[Cell, ...]:
    cells = [_count(figure.events)] if events else []
    cells += [_count(figure.n), _count(figure.n_clusters)]
    if at_risk:
        cells.append(_count(figure.at_risk))
    cells.append(share_cell(figure))
    if with_benchmark:
        cells.append(Cell("–" if row.benchmark is None else wording.percent(row.benchmark)))
    return tuple(cells)


def _count(number: int | None) -> Cell:
    return Cell("–" if number is None else wording.whole(number))


def benchmark_notes(rows: Sequence[IntervalRow], data: AuditData) -> tuple[str, ...]:
    """Where the benchmarks beside the rows come from."""
    measures = dict.fromkeys(row.figure.measure for row in rows if row.figure and row.benchmark is not None)
    return tuple(
        f"Practice benchmark for {MEASURE_LABELS[measure].lower()}: "
        f"{wording.percent(data.settings.benchmarks[measure].share)} "
        f"(source: {data.settings.benchmarks[measure].source.rstrip('.')})."
        for measure in measures
    )
