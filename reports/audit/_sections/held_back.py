"""What was held back at intake: how many rows, by which rule, and why."""

from __future__ import annotations

from itertools import groupby

from registry import record_type

from ... import wording
from ...layout import Cell, Row, Section, Table, capitalised, picked
from .._data import AuditData

_DETAILED = 3
"""Intakes shown reason by reason: the last ones; a quarter's deliveries, not a history."""


def held_back(data: AuditData) -> Section:
    """Rows delivered by kind of record, and the reasons of the last intakes."""
    held = [figure for figure in picked(data.intake, "rows_held_back") if "rule" not in figure.group]
    rows_held = sum(figure.n for figure in held)
    read = picked(data.intake, "rows_read")
    intakes = sorted({count.intake_id for count in data.intakes})
    return Section(
        "held-back",
        "Held back at intake",
        "held_back.html",
        {
            "read": wording.counted(sum(figure.n for figure in read), "row"),
            "held": f"{wording.whole(rows_held)} {'was' if rows_held == 1 else 'were'}",
            "by_record": _by_record(data),
            "by_intake": _by_intake(data),
            "reasons": _reasons(data, intakes[-_DETAILED:]),
            "earlier": len(intakes) > _DETAILED,
        },
    )


def _by_record(data: AuditData) -> Table:
    measures = {"rows_read": "Rows delivered", "rows_taken_in": "Taken in", "rows_held_back": "Held back"}
    columns = [
        [figure for figure in picked(data.intake, measure) if "rule" not in figure.group] for measure in measures
    ]
    return Table(
        "Rows delivered, by kind of record, all intakes",
        ("Record", *measures.values()),
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
            sum(count.unchanged for count in counts),
            sum(count.held_back for count in counts),
        )
        rows.append(Row(f"Intake {intake_id}", tuple(Cell(wording.whole(cell)) for cell in cells)))
    return Table(
        "Rows delivered, by intake",
        ("Intake", "Rows delivered", "Loaded", "There already", "Held back"),
        tuple(rows),
    )


def _reasons(data: AuditData, intakes: list[int]) -> Table:
    rows: list[Row] = []
    for intake_id in intakes:
        counts = [count for count in data.held_back if count.intake_id == intake_id]
        if counts:
            rows.append(Row(f"Intake {intake_id}"))
        rows += [
            Row(
                capitalised(count.reason),
                (Cell(_record_words(count.record)), Cell(count.field or "–"), Cell(wording.whole(count.rows))),
                more=count.rule,
            )
            for count in counts
        ]
    return Table(
        "Why rows were held back, by intake",
        ("Reason and rule", "Record", "Field", "Rows"),
        tuple(rows),
        words=(1, 2),
    )


def _record_words(record: str) -> str:
    return capitalised(record_type(record).plural)
