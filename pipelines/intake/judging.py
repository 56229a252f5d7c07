"""A delivery judged, record type by record type, parents before children.

Three passes, each of Great Expectations over frames that DuckDB hands out:
1. every field by itself, and the key;
2. rules that look at a row and its parent, and whether key and parent are known;
3. rules that look across rows, over what nothing has held back so far.
What a pass finds is noted in the table `finding`; the next pass does not judge what rests on it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import date
from typing import TYPE_CHECKING

from registry import RECORD_TYPES, Settings, quoted
from registry.definition import RecordType, Severity
from registry.definition.row_checks import DUPLICATE_KEY

from .checks import Check, field_checks, key_check, parent_checks, rule_checks
from .frames import count, field_chunks, field_frame, rule_frames
from .known_keys import known_key_check
from .rules import FIELDS_AT_FAULT, SOUND_SO_FAR, good, held, row_rules_sql, sibling_rules_sql
from .staging import staged
from .typed import type_rows, typed
from .validation import Failures, Validate

if TYPE_CHECKING:
    import duckdb


def verdict(record: RecordType) -> str:
    """Name of the table of what becomes of each row: `row_id`, `file_id`, `row_number`, `same_as`, `fate`.

    fate: `loaded`, `unchanged` or `held_back`.
    """
    return f"verdict_{record.name}"


def judge(
    connection: duckdb.DuckDBPyConnection,
    records: Sequence[RecordType],
    settings: Settings,
    today: date,
    validate: Validate,
    progress: Callable[[str], None],
) -> None:
    """Judge every staged row of these record types.

    Leaves the tables `check_made`, `finding` and, for every record type of the delivery, `verdict_...`, `good_...`
    and `held_...`.
    """
    connection.execute(
        "create temp table check_made "
        "(check_id integer, rule varchar, field varchar, reason varchar, mend varchar, severity varchar)"
    )
    connection.execute("create temp table finding (record_type varchar, row_id bigint, check_id integer)")
    connection.execute(f"create temp table {FIELDS_AT_FAULT} (record_type varchar, row_id bigint, fields varchar[])")
    for record in RECORD_TYPES:
        if record not in records:
            connection.execute(f"create temp table {good(record)} as from {quoted(record.name)} limit 0")
            connection.execute(f"create temp table {held(record)} as from {quoted(record.name)} limit 0")
            continue
        progress(f"Checking {count(connection, staged(record)):,} {record.plural}")
        type_rows(connection, record)
        for failures in _passes(connection, record, settings, today, validate):
            _note(connection, record, failures)
        _settle(connection, record)


def _passes(
    connection: duckdb.DuckDBPyConnection, record: RecordType, settings: Settings, today: date, validate: Validate
) -> Iterator[Failures]:
    for chunk in field_chunks(connection, record):
        for declared in record.fields:
            yield validate(field_frame(chunk, declared), field_checks(declared, settings))
        yield validate(chunk[list(record.key)], [key_check(record)])
    _note_fields_at_fault(connection, record)
    by_row = [known_key_check(record), *parent_checks(record), *rule_checks(record, across_siblings=False)]
    for frame in rule_frames(connection, row_rules_sql(record), today):
        yield validate(frame, by_row)
    if across_rows := rule_checks(record, across_siblings=True):
        _note_sound_so_far(connection, record)
        for frame in rule_frames(connection, sibling_rules_sql(record), today):
            yield validate(frame, across_rows)


def _note(connection: duckdb.DuckDBPyConnection, record: RecordType, failures: Failures) -> None:
    import polars as pl

    for check, row_ids in failures:
        found = pl.DataFrame({"row_id": row_ids}, schema={"row_id": pl.Int64})
        connection.register("found", found.to_arrow())
        connection.execute(
            "insert into finding select ?, row_id, ? from found", [record.name, _check_id(connection, check)]
        )
        connection.unregister("found")


def _check_id(connection: duckdb.DuckDBPyConnection, check: Check) -> int:
    values = [check.rule, check.field, check.reason, check.mend, str(check.severity)]
    known = connection.execute(
        "select check_id from check_made where rule = ? and field = ? and reason = ? and mend = ? and severity = ?",
        values,
    ).fetchall()
    if known:
        return int(known[0][0])
    check_id = count(connection, "check_made")
    connection.execute("insert into check_made values (?, ?, ?, ?, ?, ?)", [check_id, *values])
    return check_id


def _note_fields_at_fault(connection: duckdb.DuckDBPyConnection, record: RecordType) -> None:
    """So far only fields and the key have been judged: a rule that reads a field found at fault is not judged."""
    connection.execute(
        f"insert into {FIELDS_AT_FAULT} select record_type, row_id, list(distinct field) "
        "from finding join check_made using (check_id) "
        "where record_type = ? and severity = ? and rule <> ? group by all",
        [record.name, Severity.HOLD, DUPLICATE_KEY],
    )


def _note_sound_so_far(connection: duckdb.DuckDBPyConnection, record: RecordType) -> None:
    connection.execute(
        f"create or replace temp table {SOUND_SO_FAR} as "
        f"select row_id from {typed(record)} where standing = 'candidate' and row_id not in ("
        "select row_id from finding join check_made using (check_id) where record_type = ? and severity = ?)",
        [record.name, Severity.HOLD],
    )


def _settle(connection: duckdb.DuckDBPyConnection, record: RecordType) -> None:
    """What becomes of each row. A copy shares the fate of the row it repeats, but is never loaded."""
    fields = ", ".join(quoted(name) for name in record.field_names)
    connection.execute(
        f"""
        create temp table {verdict(record)} as
        with held_row as (
            select distinct row_id from finding join check_made using (check_id)
            where record_type = ? and severity = ?
        )
        select
            row_id,
            file_id,
            row_number,
            same_as,
            case
                when standing = 'unchanged' then 'unchanged'
                when same_as in (select row_id from held_row) then 'held_back'
                when standing = 'copy' then 'unchanged'
                else 'loaded'
            end as fate
        from {typed(record)} join {staged(record)} using (row_id)
        """,
        [record.name, Severity.HOLD],
    )
    for table, fate in ((good(record), "loaded"), (held(record), "held_back")):
        connection.execute(
            f"create temp table {table} as select row_id, {fields} from {typed(record)} "
            f"join {verdict(record)} using (row_id) where fate = ? order by row_id",
            [fate],
        )
