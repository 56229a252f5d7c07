"""What was held back at intake: how many rows, by which rule, and why."""

from __future__ import annotations

from itertools import groupby

from pipelines import Figure
from registry import record_type

from ... import wording
from ...layout import Cell, Row, Section, Table, capitalised, picked
from .._data import AuditData

_MEASURES = {
    "rows_read": "Rows delivered",
    "rows_taken_in": "Taken in",
    "rows_held_back_then": "Held back when delivered",
    "rows_refused": "Refused",
    "rows_held_back": "Held back now",
}


def held_back(data: AuditData) -> Section:
    """Rows delivered by kind of record, and the reasons for which rows are held back."""
    rows_held = sum(figure.n for figure in _by_measure(data, "rows_held_back"))
    read = sum(figure.n for figure in _by_measure(data, "rows_read"))
    return Section(
        "held-back",
        "Held back at intake",
        "held_back.html",
        {
            "read": wording.counted(read, "row"),
            "held": f"{wording.counted(rows_held, 'row')} {'is' if rows_held == 1 else 'are'}",
            "by_record": _by_record(data),
            "by_intake": _by_intake(data),
            "reasons": _reasons(data),
        },
    )


def _by_measure(data: AuditData, measure: str) -> list[Figure]:
    return [figure for figure in picked(data.intake, measure) if "rule" not in figure.group]


def _by_record(data: AuditData) -> Table:
    columns = [_by_measure(data, measure) for measure in _MEASURES]
    return Table(
        "Rows delivered, by kind of record, all intakes",
        ("Record", *_MEASURES.values()),
        tuple(
            Row(_record_words(row[0].group["record"]), tuple(Cell(wording.whole(figure.n)) for figure in row))
            for row in zip(*columns, strict=True)
        ),
    )


def _by_intake(data: AuditData) -> Table:
    rows = []
    for intake_id, group in groupby(data.intakes, key=lambda count: count.intake_id):
        counts = list(group)
        cells = (
            sum(count.read for count in counts),
            sum(count.loaded for count in counts),
            sum(count.corrected for count in counts),
            sum(count.unchanged for count in counts),
            sum(count.held_back for count in counts),
            sum(count.refused for count in counts),
        )
        rows.append(Row(f"Intake {intake_id}", tuple(Cell(wording.whole(cell)) for cell in cells)))
    return Table(
        "Rows delivered, by intake",
        ("Intake", "Rows delivered", "Loaded", "Corrections", "There already", "Held back", "Refused"),
        tuple(rows),
    )


def _reasons(data: AuditData) -> Table:
    return Table(
        "Why rows are held back now",
        ("Reason and rule", "Record", "Field", "Rows"),
        tuple(
            Row(
                capitalised(count.reason),
                (Cell(_record_words(count.record)), Cell(count.field), Cell(wording.whole(count.rows))),
                more=count.rule,
            )
            for count in data.held_back
        ),
        words=(1, 2),
    )


def _record_words(record: str) -> str:
    return capitalised(record_type(record).plural)
