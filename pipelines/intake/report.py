"""What an intake reports: counts and places, never a value of a record."""

from __future__ import annotations

from dataclasses import dataclass

from registry.definition import Severity


@dataclass(frozen=True)
class FileCount:
    """What became of the rows of one file; read = loaded + unchanged + held_back. Warnings are among the loaded."""

    file: str
    record: str
    read: int
    loaded: int
    unchanged: int
    held_back: int
    warnings: int


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

    files: in the order in which they were given.
    rules: held back before warnings, the most rows first.
    """

    intake_id: int
    files: tuple[FileCount, ...]
    rules: tuple[RuleCount, ...]
    snapshot_before: str
    snapshot_after: str

    def total(self, record: str | None = None) -> FileCount:
        """The counts of all files, or of all files of one record type, added up."""
        counted = [file for file in self.files if record in (None, file.record)]
        return FileCount(
            file="all files",
            record=record or "all records",
            read=sum(file.read for file in counted),
            loaded=sum(file.loaded for file in counted),
            unchanged=sum(file.unchanged for file in counted),
            held_back=sum(file.held_back for file in counted),
            warnings=sum(file.warnings for file in counted),
        )
