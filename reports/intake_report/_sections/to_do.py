"""What needs doing: why rows were held back, what became of them since, and the commands."""

from __future__ import annotations

from pipelines.intake_batch import CheckResult, total
from registry import RECORD_TYPES, record_type
from registry.definition import Severity, unknown_parent_check

from ... import wording
from ...layout import Section
from .._commands import steps
from .._data import IntakeData
from ._checks import check_table

_STATUS_WORDS = {
    "open": "{} to be mended",
    "waiting": "{} waiting for a record that has not come",
    "loaded": "{} came in since as sent",
    "corrected": "{} came in since, mended",
    "replaced": "{} held back anew by a later intake",
    "dismissed": "{} set aside",
}


_RECORDS = [record.name for record in RECORD_TYPES]


def is_missing(result: CheckResult) -> bool:
    """Whether the check only found that the record which a row belongs to is not there."""
    return result.rule == unknown_parent_check(record_type(result.record))


def to_do(data: IntakeData) -> Section:
    """The steps first, then the reasons."""
    found = sorted(
        data.batch.found(Severity.HOLD), key=lambda result: (_RECORDS.index(result.record), is_missing(result))
    )
    return Section(
        "to-do",
        "What needs doing",
        "to_do.html",
        {
            "status": status_words(data),
            "steps": steps(data),
            "table": check_table("Why rows were held back or refused", found),
        },
    )


def status_words(data: IntakeData) -> str:
    """Where the rows that the intake held back stand now."""
    held, entries = total(data.batch.files).held_back, data.batch.entries
    known = sum(entries.values())
    if not held and not known:
        return (
            "Nothing: no row was held back."
            if data.batch.files
            else "No row was held back for other reasons than before."
        )
    parts = [
        _STATUS_WORDS[status].format(wording.whole(entries[status])) for status in _STATUS_WORDS if status in entries
    ]
    text = f"Where the rows held back stand now: {wording.listed(parts)}." if parts else ""
    if held > known:
        text += f" {wording.counted(held - known, 'row is', 'rows are')} gone with a patient who was erased since."
    return text.strip()
