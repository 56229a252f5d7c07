"""What came in: the rows of each file, by what became of them."""

from __future__ import annotations

from pipelines.intake_batch import BatchFile, total
from registry import record_type

from ... import wording
from ...layout import Cell, Row, Section, Table, capitalised
from .._data import IntakeData

_HEADS = ("Read", "Loaded", "Corrected", "Unchanged", "Held back", "Of these waiting", "Refused", "With a warning")


def came_in(data: IntakeData) -> Section:
    """The rows in a few sentences and one table."""
    return Section(
        "came-in",
        "What came in",
        "came_in.html",
        {"sentences": sentences(data), "erased": data.batch.erased_since, "table": _table(data)},
    )


def sentences(data: IntakeData) -> list[str]:
    """The rows of all files in words."""
    files = data.batch.files
    if not files:
        return ["No file came: rows that were held back before were judged again."]
    all_rows = total(files)
    count = len({file.sha256 for file in files})
    words = [
        f"{wording.counted(count, 'file')} of {data.sites_words} with {wording.counted(all_rows.read, 'row')}.",
        f"{wording.counted(all_rows.loaded, 'row is', 'rows are')} new to the registry.",
    ]
    if all_rows.corrected:
        corrects = wording.counted(all_rows.corrected, "row corrects", "rows correct")
        words.append(f"{corrects} a record that it held.")
    if all_rows.unchanged:
        words.append(f"{wording.counted(all_rows.unchanged, 'row was', 'rows were')} there already.")
    held = f"{wording.counted(all_rows.held_back, 'row was', 'rows were')} held back"
    if all_rows.waiting:
        held += f", of which {wording.whole(all_rows.waiting)} only wait for a record that has not come"
    words.append(f"{held}." if all_rows.held_back else "No row was held back.")
    if all_rows.refused:
        words.append(
            f"{wording.counted(all_rows.refused, 'row was', 'rows were')} refused and not kept: the patients were "
            "erased or have withdrawn consent."
        )
    if all_rows.warned:
        words.append(f"{wording.counted(all_rows.warned, 'row')} came in with a warning.")
    return words


def _table(data: IntakeData) -> Table:
    files = data.batch.files
    rows = [Row(file.label, _cells(file), more=capitalised(record_type(file.record).plural)) for file in files]
    if len(files) > 1:
        rows.append(Row("All", _cells(total(files))))
    return Table("Rows of each file, by what became of them", ("File and records", *_HEADS), tuple(rows))


def _cells(file: BatchFile) -> tuple[Cell, ...]:
    counts = (
        file.read,
        file.loaded,
        file.corrected,
        file.unchanged,
        file.held_back,
        file.waiting,
        file.refused,
        file.warned,
    )
    return tuple(Cell(wording.whole(count)) for count in counts)
