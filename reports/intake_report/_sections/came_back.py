"""What became of rows that earlier intakes had held back and that came back with this one."""

from __future__ import annotations

from registry import record_type

from ... import wording
from ...layout import Cell, Row, Section, Table, capitalised
from .._data import IntakeData


def came_back(data: IntakeData) -> Section:
    """One table of what was settled, one of what was judged again."""
    return Section(
        "came-back",
        "Earlier rows that came back",
        "came_back.html",
        {"settled": _settled(data), "returned": _returned(data)},
    )


def _settled(data: IntakeData) -> Table:
    return Table(
        "Rows held back by earlier intakes that this one settled",
        ("Held back by", "Came in as sent before", "Came in mended", "Held back anew"),
        tuple(
            Row(
                f"Intake {entry.intake_id}",
                tuple(Cell(wording.whole(count)) for count in (entry.loaded, entry.corrected, entry.replaced)),
            )
            for entry in data.batch.settled
        ),
    )


def _returned(data: IntakeData) -> Table:
    return Table(
        "Of all rows held back before, those judged again without being sent again",
        ("Records", "Judged again", "Came in", "Still held back", "Refused"),
        tuple(
            Row(
                capitalised(record_type(count.record).plural),
                tuple(
                    Cell(wording.whole(number))
                    for number in (
                        count.judged,
                        count.loaded + count.corrected + count.unchanged,
                        count.held_back,
                        count.refused,
                    )
                ),
            )
            for count in data.batch.returned
        ),
    )
