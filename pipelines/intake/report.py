"""What an intake reports: counts and places, never a value of a record."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from registry.definition import Severity


@dataclass(frozen=True)
class FileCount:
    """What became of the rows of one file: read = loaded + corrected + unchanged + held_back + refused.

    file: with the sheet, where the format has sheets.
    loaded: new to the registry. corrected: new versions of records that it held. unchanged: there already.
    held_back: waiting ones included, which follow by themselves when their parent comes.
    refused: of patients who were erased or have withdrawn consent; nothing of them is kept.
    warnings: rows with a warning, among those loaded or corrected.
    """

    file: str
    record: str
    read: int
    loaded: int
    corrected: int
    unchanged: int
    held_back: int
    waiting: int
    refused: int
    warnings: int


@dataclass(frozen=True)
class ReturnedCount:
    """What became of rows held back before that were judged again, of one record type; the parts as in `FileCount`."""

    record: str
    judged: int
    loaded: int
    corrected: int
    unchanged: int
    held_back: int
    refused: int


@dataclass(frozen=True)
class RuleCount:
    """Rows that broke one rule in one field, for one reason, and where the first of them are.

    places: such as `visit.csv row 12`, at most three.
    """

    record: str
    rule: str
    field: str
    severity: Severity
    reason: str
    mend: str
    rows: int
    places: tuple[str, ...]


@dataclass(frozen=True)
class IntakeReport:
    """A completed intake.

    kind: files, retry, declare, merge or unmerge.
    files: in the order in which they were given.
    returned: rows that were held back before, waiting ones whose parent came or all at a retry.
    entries_closed: rows held back before that need nothing more, by what became of them: loaded, corrected, replaced.
    withdrawn: keys of patients whose status asks for an erasure, as long as they are not erased.
    rules: held back before warnings, the most rows first; of the files and of what returned.
    """

    intake_id: int
    kind: str
    files: tuple[FileCount, ...]
    returned: tuple[ReturnedCount, ...]
    entries_closed: Mapping[str, int]
    withdrawn: tuple[str, ...]
    rules: tuple[RuleCount, ...]
    snapshot_before: str
    snapshot_after: str

    def total(self, record: str | None = None) -> FileCount:
        """The counts of all files, or of all files of one record type, added up."""
        counted = [file for file in self.files if record in (None, file.record)]
        names = ("read", "loaded", "corrected", "unchanged", "held_back", "waiting", "refused", "warnings")
        sums = {name: sum(getattr(file, name) for file in counted) for name in names}
        return FileCount(file="all files", record=record or "all records", **sums)
