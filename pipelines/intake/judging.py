"""A delivery judged, record type by record type, parents before children.

Great Expectations judges frames that DuckDB hands out, in this order:
1. every field by itself;
2. keys, and rules that look at a row and its parent;
3. rules that look across siblings, over what nothing has held back so far;
4. for corrections: whether records of the registry that refer to them would contradict them.
What a step finds is noted in the table `finding`; the next step does not judge what rests on it.

A correction that is held back leaves the former version in force, which others were not judged against. Then steps 2
to 4 are gone through again with that correction held back from the outset. Each turn holds back more, so it ends.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from registry import RECORD_TYPES, Settings, field_names_sql, literal, quoted
from registry.definition import PATIENT, RecordType, Severity, unknown_parent_check
from registry.definition.row_checks import (
    CONSENT_WITHDRAWN,
    MISSING_REQUIRED,
    PATIENT_ERASED,
)
from registry.inserting import insert_values

from ..mapping import REASONS
from .checks import Check, child_check, field_checks, key_checks, parent_checks, rule_checks, same_parent_check
from .frames import alike_outcomes_sql, alike_rows_sql, count, field_frames, rule_frames
from .names import candidate, good, held, row_rules, sibling_rules, staged, typed, verdict
from .rules import (
    FIELDS_AT_FAULT,
    SOUND_SO_FAR,
    child_rules_sql,
    row_rules_sql,
    rules_of_children,
    sibling_rules_sql,
)
from .staging import UNMAPPED
from .typed import type_rows
from .validation import Validate

if TYPE_CHECKING:
    import duckdb

_CHILD_RULES = "child_rules"


def judge(
    connection: duckdb.DuckDBPyConnection,
    records: Sequence[RecordType],
    settings: Settings,
    today: date,
    validate: Validate,
    progress: Callable[[str], None],
    *,
    refile: bool = False,
) -> None:
    """Judge every staged row of these record types.

    refile: whether corrections may move a record to another parent.

    Leaves the tables `check_made`, `finding` and, for every record type, those of `names`.
    """
    connection.execute(
        "create temp table check_made "
        "(check_id integer, rule varchar, field varchar, reason varchar, mend varchar, severity varchar)"
    )
    connection.execute("create temp table finding (record_type varchar, row_id bigint, check_id integer, step integer)")
    connection.execute(
        "create temp table judged_rows (record_type varchar, file_id integer, check_id integer, judging bigint)"
    )
    connection.execute(f"create temp table {FIELDS_AT_FAULT} (record_type varchar, row_id bigint, fields varchar[])")
    for record in RECORD_TYPES:
        if record not in records:
            for view in (good(record), held(record)):
                connection.execute(
                    f"create temp view {view} as select null::bigint as row_id, {field_names_sql(record)}, "
                    f"null::uhugeint as content, true as key_is_known from {quoted(record.name)} limit 0"
                )
            continue
        progress(f"Checking {count(connection, staged(record)):,} {record.plural}")
        type_rows(connection, record)
        _judge_fields(connection, record, settings, validate)
        _judge_rules(connection, record, today, validate, refile=refile)
        _settle(connection, record)
    while again := _judge_corrections(connection, records, today, validate):
        for record in records[records.index(again) :]:
            _judge_rules(connection, record, today, validate, refile=refile)
            _settle(connection, record)


def _judge_fields(
    connection: duckdb.DuckDBPyConnection, record: RecordType, settings: Settings, validate: Validate
) -> None:
    _note_unmapped(connection, record)
    checks_of = {declared: field_checks(declared, settings) for declared in record.fields}
    counted = [
        (declared, check, "*" if check.rule == MISSING_REQUIRED else quoted(declared.name))
        for declared, checks in checks_of.items()
        for check in checks
    ]
    totals = _note_judged(connection, record, candidate(record), [(check, column) for _, check, column in counted])
    to_judge = {declared for (declared, _, _), total in zip(counted, totals, strict=True) if total}
    for declared, checks in checks_of.items():
        if declared not in to_judge:
            continue
        for frame in field_frames(connection, record, declared):
            for check, numbers in validate(frame, checks):
                _note(connection, record, check, alike_rows_sql(record, declared), numbers, step=1)
    connection.execute(
        "delete from finding where record_type = $record and check_id in "
        "(select check_id from check_made where rule = $missing) and exists "
        f"(from {UNMAPPED} as unmapped join check_made using (field) where unmapped.record_type = $record "
        "and unmapped.row_id = finding.row_id and check_made.check_id = finding.check_id)",
        {"record": record.name, "missing": MISSING_REQUIRED},
    )
    connection.execute(
        f"insert into {FIELDS_AT_FAULT} select record_type, row_id, list(distinct field) "
        "from finding join check_made using (check_id) "
        "where record_type = ? and severity = ? group by all",
        [record.name, Severity.HOLD],
    )


def _note_unmapped(connection: duckdb.DuckDBPyConnection, record: RecordType) -> None:
    """What the mapping could not read holds a row back like any other finding."""
    found = connection.execute(f"select distinct field, rule from {UNMAPPED} where record_type = ?", [record.name])
    for field, rule in found.fetchall():
        check = Check(rule, field, "", {}, *REASONS[rule])
        connection.execute(
            f"insert into finding select record_type, row_id, ?, 1 from {UNMAPPED} join {typed(record)} using (row_id) "
            "where record_type = ? and field = ? and rule = ? and standing = 'candidate'",
            [*_check_ids(connection, [check]), record.name, field, rule],
        )


def _judge_rules(
    connection: duckdb.DuckDBPyConnection, record: RecordType, today: date, validate: Validate, *, refile: bool
) -> None:
    connection.execute("delete from finding where record_type = ? and step in (2, 3)", [record.name])
    by_row = [*key_checks(record), *parent_checks(record), *rule_checks(record, across_siblings=False)]
    if not refile:
        by_row += same_parent_check(record)
    _judge_columns(connection, record, row_rules(record), row_rules_sql(record), by_row, today, validate, step=2)
    across = rule_checks(record, across_siblings=True)
    while across:
        _note_sound_so_far(connection, record)
        table, sql = sibling_rules(record), sibling_rules_sql(record)
        if not _judge_columns(connection, record, table, sql, across, today, validate, step=3):
            break
        if not count(connection, f"(from {typed(record)} where key_is_known and standing = 'candidate')"):
            break


def _judge_columns(
    connection: duckdb.DuckDBPyConnection,
    record: RecordType,
    table: str,
    sql: str,
    checks: Sequence[Check],
    today: date,
    validate: Validate,
    *,
    step: int,
) -> int:
    """Compute the columns, have them judged, note what is found. Returns how many findings there are."""
    connection.execute(f"create or replace temp table {table} as {sql}", {"today": today} if "$today" in sql else None)
    columns = [str(check.arguments["column"]) for check in checks]
    beside_file = f"(from {table} join {candidate(record)} using (row_id))"
    _note_judged(connection, record, beside_file, [(check, quoted(str(check.arguments["column"]))) for check in checks])
    found = 0
    for frame in rule_frames(connection, table, columns):
        for check, numbers in validate(frame, checks):
            found += _note(connection, record, check, alike_outcomes_sql(table, columns), numbers, step=step)
    return found


def _judge_corrections(
    connection: duckdb.DuckDBPyConnection, records: Sequence[RecordType], today: date, validate: Validate
) -> RecordType | None:
    """Hold back corrections that records of the registry contradict. Returns the first record type with any."""
    first = None
    for record in records:
        rules = rules_of_children(record)
        if not rules or not count(connection, f"(from {good(record)} where key_is_known)"):
            continue
        checks = [child_check(record, child, rule) for child, rule in rules]
        sql = child_rules_sql(record)
        found = _judge_columns(connection, record, _CHILD_RULES, sql, checks, today, validate, step=4)
        if found and first is None:
            first = record
    return first


def _note_judged(
    connection: duckdb.DuckDBPyConnection, record: RecordType, table: str, counted: Sequence[tuple[Check, str]]
) -> list[int]:
    """How many rows of each file each check judges: those in which what it looks at is not empty.

    Returns how many each judges in all.
    """
    if not counted:
        return []
    check_ids = _check_ids(connection, [check for check, _ in counted])
    counts = ", ".join(f"count({column})" for _, column in counted)
    rows = connection.execute(f"select file_id, {counts} from {table} group by file_id").fetchall()
    marks = ", ".join("?" * len(check_ids))
    connection.execute(
        f"delete from judged_rows where record_type = ? and check_id in ({marks})", [record.name, *check_ids]
    )
    insert_values(
        connection,
        "judged_rows",
        [(record.name, row[0], check_id, n) for row in rows for check_id, n in zip(check_ids, row[1:], strict=True)],
    )
    return [sum(row[1 + position] for row in rows) for position in range(len(counted))]


def _note(
    connection: duckdb.DuckDBPyConnection,
    record: RecordType,
    check: Check,
    alike_sql: str,
    numbers: Sequence[int],
    *,
    step: int,
) -> int:
    """Note a finding for every row that reads like one of these lines of a frame."""
    import polars as pl

    connection.register("found", pl.DataFrame({"number": numbers}, schema={"number": pl.Int64}).to_arrow())
    (check_id,) = _check_ids(connection, [check])
    noted = connection.execute(
        f"insert into finding select ?, row_id, ?, ? from ({alike_sql}) semi join found using (number)",
        [record.name, check_id, step],
    ).fetchall()[0][0]
    connection.unregister("found")
    return int(noted)


def _check_ids(connection: duckdb.DuckDBPyConnection, checks: Sequence[Check]) -> list[int]:
    """The number of each check; one that is new gets the next."""
    made = connection.execute("select rule, field, reason, mend, severity, check_id from check_made").fetchall()
    ids = {tuple(row[:-1]): int(row[-1]) for row in made}
    wanted = [(check.rule, check.field, check.reason, check.mend, str(check.severity)) for check in checks]
    for values in wanted:
        ids.setdefault(values, len(ids))
    insert_values(
        connection, "check_made", [(check_id, *values) for values, check_id in ids.items() if check_id >= len(made)]
    )
    return [ids[values] for values in wanted]


def _note_sound_so_far(connection: duckdb.DuckDBPyConnection, record: RecordType) -> None:
    connection.execute(
        f"create or replace temp table {SOUND_SO_FAR} as "
        f"select row_id from {typed(record)} where standing = 'candidate' and row_id not in ("
        "select row_id from finding join check_made using (check_id) where record_type = ? and severity = ?)",
        [record.name, Severity.HOLD],
    )


def _settle(connection: duckdb.DuckDBPyConnection, record: RecordType) -> None:
    """What becomes of each row. A copy shares the fate of the row it repeats, but is never loaded."""
    refusing = [PATIENT_ERASED] + ([CONSENT_WITHDRAWN] if record.name != PATIENT.name else [])
    waits = literal(unknown_parent_check(record))
    connection.execute(
        f"""
        create or replace temp table {verdict(record)} as
        with held_row as (
            select row_id, bool_or(list_contains(?, rule)) as refused, bool_and(rule = {waits}) as waits
            from finding join check_made using (check_id)
            where record_type = ? and severity = ? group by all
        )
        select
            own.row_id,
            file_id,
            row_number,
            held_back_id,
            same_as,
            case
                when standing = 'unchanged' then 'unchanged'
                when held_row.refused then 'refused'
                when held_row.row_id is not null then 'held_back'
                when standing = 'copy' then 'unchanged'
                when key_is_known then 'corrected'
                else 'loaded'
            end as fate,
            fate = 'held_back' and held_row.waits as waits
        from {typed(record)} as own
        left join held_row on held_row.row_id = own.same_as
        """,
        [refusing, record.name, Severity.HOLD],
    )
    connection.execute(  # of a refused row nothing is told but why it is refused
        f"delete from finding where record_type = ? and row_id in (select row_id from {verdict(record)} "
        "where fate = 'refused') and check_id not in (select check_id from check_made where list_contains(?, rule))",
        [record.name, refusing],
    )
    # each view is made by the smaller part: few rows are held back, and few are not written
    parts = (
        (good(record), "anti join", "fate not in ('loaded', 'corrected')"),
        (held(record), "semi join", "fate in ('held_back', 'refused')"),
    )
    for view, join, which in parts:
        connection.execute(
            f"create or replace temp view {view} as "
            f"select row_id, {field_names_sql(record)}, content, key_is_known from {typed(record)} "
            f"{join} (from {verdict(record)} where {which}) as chosen using (row_id)"
        )


@dataclass(frozen=True)
class Finding:
    """Why rows are held back or refused, and how many."""

    rule: str
    field: str
    reason: str
    mend: str
    rows: int


def held_back_reasons(connection: duckdb.DuckDBPyConnection, record: RecordType, *, file_id: int) -> list[Finding]:
    """The reasons for which rows of a file would not come in."""
    rows = connection.execute(
        f"""
        select rule, field, reason, mend, count(*)
        from {verdict(record)} as verdict
        join finding on finding.record_type = $record and finding.row_id = verdict.same_as
        join check_made using (check_id)
        where file_id = $file and fate in ('held_back', 'refused') and severity = $hold
        group by all order by rule, field, reason
        """,
        {"record": record.name, "file": file_id, "hold": Severity.HOLD},
    ).fetchall()
    return [Finding(*row) for row in rows]
