"""How sessions were prepared, and whether the first steps after them were taken."""

from __future__ import annotations

from pipelines import MEASURE_LABELS

from ... import wording
from ...charts import IntervalRow
from ...intervals import interval_key, interval_picture
from ...layout import Cell, Row, Section, Table, not_counted_table
from .._data import AuditData
from .._targets import target_of, target_words


def process(data: AuditData) -> Section:
    """Shares of the sessions of the quarter, beside the one before and the year before."""
    now = data.process[0]
    rows = [
        IntervalRow(MEASURE_LABELS[figure.measure], figure, target.share if target else None)
        for figure, target in ((figure, target_of(figure, data.settings)) for figure in now)
    ]
    return Section(
        "process",
        "Process",
        "process.html",
        {
            "picture": interval_picture(rows, "process", "steps taken", "Share of sessions with an answer")
            if any(figure.n for figure in now)
            else None,
            "key": interval_key(rows, data.settings.floor_denominator, "sessions").replace("benchmark", "target"),
            "table": _table(data),
            "not_counted": not_counted_table(
                f"Sessions of {data.quarter} counted and not counted",
                "Step",
                [(MEASURE_LABELS[figure.measure], figure) for figure in now],
                "Counted",
            ),
        },
    )


def _table(data: AuditData) -> Table:
    with_target = any(target_of(figure, data.settings) for figure in data.process[0])
    rows = []
    for figures in zip(*data.process, strict=True):
        target = target_of(figures[0], data.settings)
        cells = [
            Cell(
                wording.estimate_words(figure),
                tuple(line for line in (wording.interval_words(figure), wording.fraction(figure)) if line),
                "too_few" in figure.flags or figure.estimate is None,
            )
            for figure in figures
        ]
        if with_target:
            cells.append(Cell(target_words(target) if target else "–"))
        rows.append(Row(MEASURE_LABELS[figures[0].measure], tuple(cells)))
    return Table(
        "Steps taken, of the sessions operated in each quarter",
        ("Step", *data.spans, *(["Target"] if with_target else [])),
        tuple(rows),
    )
