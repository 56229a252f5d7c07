"""What was held back at intake: how many rows, by which rule, and why."""

from __future__ import annotations

from dataclasses import replace
from itertools import groupby
from typing import Any

from pipelines import Figure
from registry import record_type

from ... import wording
from ...layout import Cell, Row, Section, Table, capitalised, picked, share_cell
from .._data import AuditData

_MEASURES = {
    "rows_read": "Rows delivered",
    "rows_taken_in": "Taken in",
    "rows_held_back_then": "Held back when delivered",
    "rows_refused": "Refused",
    "rows_held_back": "Held back now",
}
_ROWS_SHOWN = 12
"""Of a long table on the page; the workbook has them all."""


def held_back(data: AuditData) -> Section:
    """Rows delivered by kind of record, the reasons for which rows are held back, and fields left empty."""
    rows_held = sum(figure.n for figure in _by_measure(data, "rows_held_back"))
    read = sum(figure.n for figure in _by_measure(data, "rows_read"))
    return Section(
        "held-back",
        "Can we trust it? Rows held back, fields left empty",
        "held_back.html",
        {
            "read": wording.counted(read, "row"),
            "held": f"{wording.counted(rows_held, 'row')} {'is' if rows_held == 1 else 'are'}",
            "by_record": _by_record(data),
            "by_intake": _by_intake(data),
            **_shortened("reasons", _reasons(data)),
            **_shortened("empty", _empty(data)),
        },
    )


def _shortened(name: str, table: Table) -> dict[str, Any]:
    """The first rows for the page, and the whole table for the workbook, where it is longer."""
    if len(table.rows) <= _ROWS_SHOWN:
        return {name: table}
    rest = len(table.rows) - _ROWS_SHOWN
    note = f"{wording.counted(rest, 'further row')} in tables.xlsx, beside this page."
    whole = replace(table, caption=f"{table.caption}, all of them")
    return {name: replace(table, rows=table.rows[:_ROWS_SHOWN], notes=(*table.notes, note)), f"all_{name}": whole}


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
            for count in sorted(data.held_back, key=lambda count: -count.rows)
        ),
        words=(1, 2),
    )


def _empty(data: AuditData) -> Table:
    """Fields with anything empty, the emptiest first."""
    found = sorted((figure for figure in data.missing if figure.events), key=lambda figure: -(figure.estimate or 0))
    return Table(
        f"Fields left empty in the records of {data.quarter}",
        ("Field", "Record", "Records", "Empty", "Share"),
        tuple(
            Row(
                record_type(figure.group["record"]).field(figure.group["field"]).label,
                (
                    Cell(_record_words(figure.group["record"])),
                    Cell(wording.whole(figure.n)),
                    Cell(wording.whole(figure.events or 0)),
                    share_cell(figure),
                ),
                more=figure.group["field"],
            )
            for figure in found
        ),
        words=(1,),
    )


def _record_words(record: str) -> str:
    return capitalised(record_type(record).plural)
