"""One intake from files to report, and the other events that go through the same checks."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from registry import RECORD_TYPES, Fault, GraftledgerError, Registry, record_type
from registry.changes import Event
from registry.database_errors import database_fault, is_from_outside
from registry.database_file import cursor_of
from registry.definition import RecordType
from registry.store import DATABASE_FILE

from ..mapping import Mapping
from .aliases import note_aliases
from .barring import note_barred
from .counting import report_of
from .entries import note_claims, stage_open, stage_waiting
from .frames import count
from .incoming import Reading, incoming
from .judging import judge
from .loading import load
from .names import staged
from .origins import Origin
from .report import IntakeReport
from .staging import StagedFile, prepare_staging, stage
from .validation import make_validator

if TYPE_CHECKING:
    import duckdb
    import polars as pl

Progress = Callable[[str], None]


def run_intake(
    registry: Registry,
    paths: Iterable[Path],
    *,
    as_type: str | None = None,
    mapping: Mapping | None = None,
    refile: bool = False,
    today: date,
    received_by: str,
    progress: Progress | None = None,
) -> IntakeReport:
    """Read the files together, hold back the rows that fail a check, load the rest in one transaction.

    registry: opened with read_only=False.
    paths: files of any known format, and folders of them, in any order; a row may refer to a row of another file.
    as_type: name of the record type of every sheet; told from the columns where None.
    mapping: of the site that sends the files; None where they are in the registry's own layout.
    refile: whether corrections may move a record to another patient or session; else such a row is held back, since
        its key may have been used by mistake.
    today: a row dated later is held back.
    received_by: who takes the delivery in; kept with it.
    progress: called with a few words whenever a new step begins.

    A row is loaded; corrects a record, whose former version goes to history; is unchanged (the registry or an earlier
    row of the delivery holds it as it is); is held back with the rule, field and reason; or is refused, where its
    patient was erased or has withdrawn consent. Rows held back before that wait for a parent follow when it comes.
    The registry does not depend on the order of files or rows.

    Raises: GraftledgerError with all faults of all files, or where the registry refuses; nothing was changed then.
    """
    declared = record_type(as_type) if as_type else None
    occasion = Occasion(registry, today, received_by, progress or _silent)
    with delivery_connection(registry) as connection:
        reading = Reading(
            registry.settings,
            today,
            declared,
            mapping,
            _session_dates(connection) if mapping else None,
            lambda entries: _origins(connection, entries),
        )
        files = stage(connection, incoming(list(paths), reading, occasion.progress))
        note_aliases(connection)
        note_claims(connection)
        stage_waiting(connection)
        return take_in(connection, occasion, files, "files", refile=refile)


def retry_held_back(
    registry: Registry, *, today: date, received_by: str, progress: Progress | None = None
) -> IntakeReport:
    """Judge all rows held back again, after the settings gained a site for example; sound ones are loaded.

    Rows with a value that a mapping could not read are left: their site sends them again, through its mapping.

    Raises: GraftledgerError where no row can be judged again.
    """
    occasion = Occasion(registry, today, received_by, progress or _silent)
    with delivery_connection(registry) as connection:
        note_aliases(connection)
        note_claims(connection)
        stage_open(connection)
        if not any(count(connection, staged(record)) for record in RECORD_TYPES):
            raise GraftledgerError("There is no row held back that could be judged again.")
        return take_in(connection, occasion, (), "retry")


@dataclass(frozen=True)
class Occasion:
    """A registry opened for writing, and on what day, by whom and before whose eyes something comes in."""

    registry: Registry
    today: date
    received_by: str
    progress: Progress


@contextmanager
def delivery_connection(registry: Registry) -> Iterator[duckdb.DuckDBPyConnection]:
    """A connection with empty staging tables, which end with it.

    Raises: GraftledgerError in place of an error of the database, whose text may hold values, or of the system.
    """
    import duckdb

    try:
        with cursor_of(registry.connection) as connection:
            prepare_staging(connection)
            yield connection
    except (duckdb.Error, OSError) as error:
        raise GraftledgerError(_not_taken_in(error)) from None


def _not_taken_in(error: duckdb.Error | OSError) -> Fault:
    mend: str | None = "This is a fault of the program: report it."
    if isinstance(error, OSError):  # most likely a temporary file of a library
        why = (error.strerror or "error").lower()
        mend = "Is there room on the disk, and in the folder for temporary files?"
    elif is_from_outside(error):
        fault = database_fault(error, DATABASE_FILE)
        why, mend = fault.what.removesuffix("."), fault.mend
    else:
        why = type(error).__name__
    return Fault(f"the records could not be taken in ({why}); the registry is as it was.", mend=mend)


def take_in(
    connection: duckdb.DuckDBPyConnection,
    occasion: Occasion,
    files: Sequence[StagedFile],
    kind: str,
    *,
    refile: bool = False,
    accept: Callable[[Sequence[RecordType]], None] | None = None,
    also: Callable[[Event], None] | None = None,
) -> IntakeReport:
    """Judge what is staged and load it as one event.

    refile: see `run_intake`.
    accept: looks at what was judged before anything is written; raises GraftledgerError to refuse it.
    also: what else belongs to the event, done within its transaction.
    """
    sent = {file.record.name for file in files}  # a sheet may give no record of its type
    records = [record for record in RECORD_TYPES if record.name in sent or count(connection, staged(record))]
    note_barred(connection)
    occasion.progress("Preparing the checks")
    settings, validate = occasion.registry.settings, make_validator()
    judge(connection, records, settings, occasion.today, validate, occasion.progress, refile=refile)
    if accept is not None:
        accept(records)
    occasion.progress("Loading")
    event = load(connection, records, files, settings, occasion.received_by, kind, also)
    return report_of(connection, records, files, event, kind)


def _session_dates(connection: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    table: pl.DataFrame = connection.sql("select session_key, performed_on::varchar as performed_on from session").pl()
    return table


def _origins(connection: duckdb.DuckDBPyConnection, entries: Sequence[int]) -> dict[int, Origin]:
    rows = connection.execute(
        "select held_back_id, file_name, sheet, mapping_digest is not null from held_back_row "
        "where held_back_id in (select unnest(?::bigint[]))",
        [list(entries)],
    ).fetchall()
    return {entry: Origin(file_name, sheet, mapped) for entry, file_name, sheet, mapped in rows}


def _silent(words: str) -> None:
    pass
