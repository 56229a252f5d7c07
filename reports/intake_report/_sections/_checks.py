"""What checks found, as a table: reason, field, rows, and where the first of them stand."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

from pipelines.intake_batch import CheckResult, FailedRows
from registry import record_type

from ... import wording
from ...layout import Cell, Row, Table, capitalised

FILES_SHOWN = 5
"""Files named for one reason; the others are counted."""


def check_table(caption: str, results: Sequence[CheckResult]) -> Table:
    """One row a reason, under a heading for each kind of record."""
    rows = []
    for record, group in groupby(results, key=lambda result: result.record):
        rows.append(Row(capitalised(record_type(record).plural)))
        rows += [
            Row(
                capitalised(result.reason),
                (
                    Cell(result.field, (result.rule,)),
                    Cell(wording.whole(result.failed), (f"of {wording.whole(result.judged)}",)),
                    Cell(result.mend, place_lines(result.places)),
                ),
            )
            for result in group
        ]
    return Table(
        caption,
        ("Reason", "Field and rule", "Rows, of those judged", "What to do, and where"),
        tuple(rows),
        words=(1, 3),
    )


def place_lines(places: Sequence[FailedRows]) -> tuple[str, ...]:
    """One line a file with the numbers of its first rows."""
    lines = [place_words(place) for place in places[:FILES_SHOWN]]
    if further := places[FILES_SHOWN:]:
        rows = wording.counted(sum(place.rows for place in further), "row")
        lines.append(f"and {rows} in {wording.counted(len(further), 'further file')}")
    return tuple(lines)


def place_words(place: FailedRows) -> str:
    """Where the first rows stand; row 1 is the first below the header.

    >>> place_words(FailedRows("visit.csv", 7, (2, 5, 8))), place_words(FailedRows("visit.csv", 1, (4,)))
    ('visit.csv rows 2, 5, 8 … (7 in all)', 'visit.csv row 4')
    >>> place_words(FailedRows("visit.csv", 2, ()))
    'visit.csv (row numbers no longer kept)'
    """
    if not place.first:
        return f"{place.label} (row numbers no longer kept)"
    numbers = ", ".join(str(number) for number in place.first)
    if place.rows > len(place.first):
        return f"{place.label} rows {numbers} … ({wording.whole(place.rows)} in all)"
    return f"{place.label} {'row' if place.rows == 1 else 'rows'} {numbers}"
