"""Two keys of one patient made one, and parted again.

The sessions of the other key become the kept key's, as corrections that go through all checks: their numbers must
follow one another over both keys. The other patient row ends; what comes later under the other key belongs to the
kept one. Nothing is lost: history keeps the former versions, and undoing gives every session back to the key it
came under.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from functools import partial
from typing import TYPE_CHECKING

from registry import Fault, GraftledgerError, Registry, field_names_sql, history_table, literal, quoted
from registry.changes import Event, end_rows
from registry.definition import PATIENT, SESSION, RecordType

from ..intake.aliases import note_aliases
from ..intake.entries import note_claims, stage_waiting
from ..intake.judging import held_back_reasons
from ..intake.names import staged
from ..intake.report import IntakeReport
from ..intake.run import Occasion, Progress, delivery_connection, take_in
from ..intake.typed import text_sql

if TYPE_CHECKING:
    import duckdb

_MOVED = -2
"""File id of rows that an event moves from one key to another."""


def merge_patients(
    registry: Registry,
    kept_key: str,
    other_key: str,
    *,
    today: date,
    received_by: str,
    progress: Progress = lambda words: None,
) -> IntakeReport:
    """Make the patient of `other_key` the patient of `kept_key`, whose own row stays.

    Raises: GraftledgerError where a key is not in the registry, or a session would break a rule; nothing is changed.
    """
    if kept_key == other_key:
        raise GraftledgerError("The two keys are the same.")
    for words, key in (("kept", kept_key), ("other", other_key)):
        _refuse_unknown(registry, words, key)
    occasion = Occasion(registry, today, received_by, progress)
    with delivery_connection(registry) as connection:
        note_aliases(connection)
        moved = f"select session_key from session where patient_key = {literal(other_key)}"
        _stage_moved(connection, moved, kept_key)
        note_claims(connection)

        def also(event: Event) -> None:
            connection.execute(
                f"create or replace temp table leaving as from patient where patient_key = {literal(other_key)}"
            )
            end_rows(connection, event, PATIENT, "leaving")
            connection.execute("drop table leaving")
            connection.execute(
                "insert into patient_merge values (?, ?, ?, null)", [event.intake_id, kept_key, other_key]
            )
            connection.execute(
                f"insert into merged_session select ?, session_key from {staged(SESSION)} where file_id = {_MOVED} "
                "and session_key not in (select session_key from merged_session)",
                [other_key],
            )

        return take_in(
            connection, occasion, (), "merge", refile=True, accept=partial(_refuse_findings, connection), also=also
        )


def undo_merge(
    registry: Registry,
    kept_key: str,
    other_key: str,
    *,
    today: date,
    received_by: str,
    progress: Progress = lambda words: None,
) -> IntakeReport:
    """Part two keys that were merged: the other patient's row comes back, with the sessions that came under that key.

    Raises: GraftledgerError where they were not merged, the kept key was itself merged since, or a row would break a
    rule; nothing is changed.
    """
    found = registry.connection.execute(
        "select intake_id from patient_merge where kept_key = ? and other_key = ? and undone_by_intake_id is null",
        [kept_key, other_key],
    ).fetchall()
    if not found:
        raise GraftledgerError("These two keys are not merged, in this order: the key that was kept comes first.")
    _refuse_unknown(registry, "kept", kept_key)
    (merge_id,) = found[0]
    occasion = Occasion(registry, today, received_by, progress)
    with delivery_connection(registry) as connection:
        note_aliases(connection, undone=other_key)
        came = _keys_under(connection, other_key)
        _stage_former(
            connection, PATIENT, f"patient_key = {literal(other_key)} and replaced_by_intake_id = {merge_id:d}"
        )
        _stage_moved(
            connection,
            f"select session_key from merged_session where other_key in ({came}) and patient_key = {literal(kept_key)}",
            other_key,
        )
        note_claims(connection)
        stage_waiting(connection)

        def also(event: Event) -> None:
            connection.execute(
                "update patient_merge set undone_by_intake_id = ? where intake_id = ?", [event.intake_id, merge_id]
            )
            connection.execute("delete from merged_session where other_key = ?", [other_key])

        return take_in(
            connection, occasion, (), "unmerge", refile=True, accept=partial(_refuse_findings, connection), also=also
        )


def _refuse_unknown(registry: Registry, words: str, key: str) -> None:
    execute = registry.connection.execute
    if execute("select exists (from patient where patient_key = ?)", [key]).fetchall()[0][0]:
        return
    merged = execute(
        "select exists (from patient_merge where other_key = ? and undone_by_intake_id is null)", [key]
    ).fetchall()[0][0]
    what = "was itself merged into another; undo that first" if merged else "is not in the registry"
    raise GraftledgerError(f"The patient of the {words} key {what}.")


def _keys_under(connection: duckdb.DuckDBPyConnection, key: str) -> str:
    """SQL list of a key and the keys merged into it."""
    rows = connection.execute(
        """
        with recursive under as (
            select $key as key
            union
            select other_key from patient_merge join under on kept_key = key where undone_by_intake_id is null
        )
        select key from under
        """,
        {"key": key},
    ).fetchall()
    return ", ".join(literal(found) for (found,) in rows)


def _stage_moved(connection: duckdb.DuckDBPyConnection, session_keys: str, patient_key: str) -> None:
    """The sessions of the registry with these keys, as rows under another patient."""
    values = ", ".join(
        literal(patient_key) if field.name == PATIENT.key[0] else text_sql(field, "own") for field in SESSION.fields
    )
    connection.execute(
        f"insert into {staged(SESSION)} (row_id, file_id, row_number, {field_names_sql(SESSION)}) "
        "select row_number() over (order by session_key) - 1, "
        f"{_MOVED}, row_number() over (order by session_key), {values} "
        f"from session as own where session_key in ({session_keys})"
    )


def _stage_former(connection: duckdb.DuckDBPyConnection, record: RecordType, which: str) -> None:
    """Former versions of records, as rows."""
    values = ", ".join(text_sql(field, "own") for field in record.fields)
    connection.execute(
        f"insert into {staged(record)} (row_id, file_id, row_number, {field_names_sql(record)}) "
        f"select row_number() over () - 1, {_MOVED}, row_number() over (), {values} "
        f"from {quoted(history_table(record))} as own where {which}"
    )


def _refuse_findings(connection: duckdb.DuckDBPyConnection, records: Sequence[RecordType]) -> None:
    """Refuse the event where any row that it moves would be held back, naming rules and how many rows."""
    faults = [
        Fault(f"{record.plural} that would break {found.rule}: {found.rows}; {found.reason}.", mend=found.mend)
        for record in records
        for found in held_back_reasons(connection, record, file_id=_MOVED)
    ]
    if faults:
        raise GraftledgerError(*faults, "Nothing was changed.")


def differing_fields(registry: Registry, kept_key: str, other_key: str) -> tuple[str, ...]:
    """Fields in which the rows of two patients differ, so that one can look before they are merged."""
    rows = registry.connection.execute(
        f"select {field_names_sql(PATIENT)} from patient where patient_key in (?, ?)", [kept_key, other_key]
    ).fetchall()
    if len(rows) != 2:
        return ()
    return tuple(
        name
        for name, one, another in zip(PATIENT.field_names, *rows, strict=True)
        if one != another and name not in PATIENT.key
    )
