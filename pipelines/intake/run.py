"""One intake from files to report."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import date
from pathlib import Path

from registry import RECORD_TYPES, Fault, GraftledgerError, Registry, record_type

from .counting import report_of
from .judging import judge
from .loading import load
from .paths import files_of
from .report import IntakeReport
from .staging import stage_files
from .validation import make_validator


def run_intake(
    registry: Registry,
    paths: Iterable[Path],
    *,
    as_type: str | None = None,
    today: date,
    received_by: str,
    progress: Callable[[str], None] | None = None,
) -> IntakeReport:
    """Read the files together, hold back the rows that fail a check, load the rest in one transaction.

    registry: opened with read_only=False.
    paths: CSV and Parquet files, and folders of them, in any order; a row may refer to a row of another file.
    as_type: name of the record type of every file; told from the columns where None.
    today: a row dated later is held back.
    received_by: who takes the delivery in; kept with it.
    progress: called with a few words whenever a new step begins.

    A row is loaded, unchanged (the registry or an earlier row of the delivery holds it as it is) or held back with
    the rule, field and reason. The registry does not depend on the order of files or rows.

    Raises: GraftledgerError with all faults of all files, or where the registry refuses; nothing was changed then.
    """
    import duckdb

    say = progress or (lambda words: None)
    declared = record_type(as_type) if as_type else None
    files = files_of(paths)
    try:
        with registry.connection.cursor() as connection:  # its temporary tables end with it
            staged_files = stage_files(connection, files, declared, say)
            records = [record for record in RECORD_TYPES if any(file.record == record for file in staged_files)]
            say("Preparing the checks")
            judge(connection, records, registry.settings, today, make_validator(), say)
            say("Loading")
            loaded = load(connection, records, staged_files, registry.settings, received_by)
            return report_of(connection, records, staged_files, loaded)
    except duckdb.Error as error:  # its text may hold values: only its kind is told
        raise GraftledgerError(
            Fault(
                f"the records could not be taken in ({type(error).__name__}); the registry is as it was.",
                mend="Is the disk full or the folder read-only? If not, this is a fault of the program: report it.",
            )
        ) from None
