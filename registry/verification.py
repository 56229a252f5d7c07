"""Is the registry sound? Everything that must hold between its tables, checked anew from what is in the file.

Intakes keep all of it; a fault found here means damage from outside, or a fault of the program.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

from ._ddl import check_sql, history_table, literal, quoted, row_text_sql
from .database_file import leftovers
from .definition import RECORD_TYPES, RecordType, record_type
from .errors import Fault
from .parquet_records import parquet_fault
from .snapshot import ContentSum, computed_sums, snapshot_id, stored_sums
from .store import Registry

if TYPE_CHECKING:
    import duckdb

_SHA256 = "^[0-9a-f]{64}$"
_SNAPSHOT = "^[0-9a-f]{16}$"


def verify(registry: Registry, progress: Callable[[str], None] = lambda words: None) -> tuple[Fault, ...]:
    """Every fault found; none where the registry is sound. Faults name tables and numbers, never a value."""
    if fault := parquet_fault(registry.folder):
        return (fault,)
    faults: list[Fault] = []
    for words, check in _CHECKS.items():
        progress(words)
        faults += check(registry)
    return tuple(faults)


def _count(registry: Registry, relation: str) -> int:
    return int(registry.connection.execute(f"select count(*) from {relation}").fetchall()[0][0])


def _found(registry: Registry, relation: str, what: str, file: str, field: str | None = None) -> Iterator[Fault]:
    """A fault where the relation has rows; `{n}` in what it says stands for how many."""
    if n := _count(registry, relation):
        yield Fault(what.replace("{n}", f"{n:,}"), file, field=field)


def _readable(registry: Registry) -> Iterator[Fault]:
    """Read every value once, so that damage raises its error (`open_registry`) also where no other check looks."""
    tables = registry.connection.execute(
        "select table_name, list(column_name) from information_schema.columns group by all"
    ).fetchall()
    for table, columns in tables:
        hashes = ", ".join(quoted(column) for column in columns)
        registry.connection.execute(f"select bit_xor(hash({hashes})) from {quoted(table)}").fetchall()
    yield from ()


def _constraints(registry: Registry) -> Iterator[Fault]:
    for record in RECORD_TYPES:
        for table in (record.name, history_table(record)):
            for field in record.fields:
                broken = [f"{quoted(field.name)} is null"] if field.required else []
                if (sound := check_sql(field)) is not None:
                    broken.append(f"not ({sound})")
                if broken:
                    where = f"{quoted(table)} where {' or '.join(broken)}"
                    yield from _found(registry, where, "{n} rows break the field's own constraint.", table, field.name)


def _keys(registry: Registry) -> Iterator[Fault]:
    for record in RECORD_TYPES:
        key = ", ".join(quoted(name) for name in record.key)
        twice = f"(select {key} from {quoted(record.name)} group by all having count(*) > 1)"
        yield from _found(registry, twice, "{n} keys are there more than once.", record.name, record.key[0])


def _references(registry: Registry) -> Iterator[Fault]:
    for record in RECORD_TYPES:
        if record.parent and record.parent_key:
            parent = record_type(record.parent)
            orphans = (
                f"{quoted(record.name)} as own anti join {quoted(parent.name)} as parent "
                f"on own.{quoted(record.parent_key)} = parent.{quoted(parent.key[0])}"
            )
            yield from _found(
                registry,
                orphans,
                f"{{n}} rows refer to a {parent.name} that is not there.",
                record.name,
                record.parent_key,
            )


def _history(registry: Registry) -> Iterator[Fault]:
    last = _count(registry, "intake")
    for record in RECORD_TYPES:
        former, current = quoted(history_table(record)), quoted(record.name)
        ends = f"{former} where intake_id >= replaced_by_intake_id or replaced_by_intake_id > {last} or intake_id < 1"
        yield from _found(registry, ends, "{n} former versions end before they begin.", history_table(record))
        key = ", ".join(quoted(name) for name in record.key)
        spans = (
            f"select {key}, intake_id, replaced_by_intake_id as until from {former} "
            f"union all select {key}, intake_id, null from {current}"
        )
        overlaps = (
            f"(select *, lead(intake_id) over (partition by {key} order by intake_id, until nulls last) as following "
            f"from ({spans}) qualify following < coalesce(until, {2**31 - 1}))"
        )
        yield from _found(registry, overlaps, "{n} versions of a record overlap.", history_table(record))
        unknown = f"{current} where intake_id not between 1 and {last}"
        yield from _found(registry, unknown, "{n} rows come from an intake that is not written down.", record.name)


def _sums(registry: Registry) -> Iterator[Fault]:
    stored, computed = stored_sums(registry.connection), computed_sums(registry.connection)
    for record in RECORD_TYPES:
        if stored[record.name] != computed[record.name]:
            yield Fault(
                f"the content is not what the intakes left: {computed[record.name].row_count:,} rows, "
                f"{stored[record.name].row_count:,} by the sum that is kept.",
                record.name,
            )


def _events(registry: Registry) -> Iterator[Fault]:
    """Events are numbered without gaps, and each begins with the snapshot that the one before left."""
    gaps = "(select intake_id, row_number() over (order by intake_id) as place from intake qualify intake_id <> place)"
    yield from _found(registry, gaps, "{n} events are out of their place.", "intake")
    breaks = (
        "(select snapshot_before, lag(snapshot_after) over (order by intake_id) as left_by from intake "
        f"qualify snapshot_before <> coalesce(left_by, {literal(snapshot_id({}))}))"
    )
    yield from _found(registry, breaks, "{n} events do not begin where the one before ended.", "intake")
    last = registry.connection.execute("select arg_max(snapshot_after, intake_id) from intake").fetchall()[0][0]
    if last is not None and last != registry.snapshot:
        yield Fault("the last event does not end with the records as they are.", "intake")


def _snapshots(registry: Registry) -> Iterator[Fault]:
    """The records as of every event since the last erasure have the snapshot that it left."""
    connection = registry.connection
    first = connection.execute("select coalesce(max(intake_id), 1) from erasure").fetchall()[0][0]
    changes = {record.name: _changes(connection, record) for record in RECORD_TYPES}
    sums = {record.name: ContentSum() for record in RECORD_TYPES}
    for intake_id, left in connection.execute("select intake_id, snapshot_after from intake order by 1").fetchall():
        for name, by_event in changes.items():
            sums[name] += by_event.get(intake_id, ContentSum())
        if intake_id >= first and snapshot_id(sums) != left:
            yield Fault(f"the records as of intake {intake_id} are not those that it left.", "intake")


def _changes(connection: duckdb.DuckDBPyConnection, record: RecordType) -> dict[int, ContentSum]:
    """What each event added to the content sum of a record type, less what it ended."""
    line = row_text_sql(record)
    rows = connection.execute(
        f"""
        with version as (
            select {line} as line, intake_id, null as until from {quoted(record.name)}
            union all
            select {line}, intake_id, replaced_by_intake_id from {quoted(history_table(record))}
        ),
        change as (
            select line, intake_id as event, 1 as sign from version
            union all
            select line, until, -1 from version where until is not null
        )
        select event, sum(sign),
            sum(sign * md5_number_lower(line)::hugeint), sum(sign * md5_number_upper(line)::hugeint)
        from change group by all
        """
    ).fetchall()
    modulus = 2**64
    return {event: ContentSum(int(n), int(lower) % modulus, int(upper) % modulus) for event, n, lower, upper in rows}


def _files(registry: Registry) -> Iterator[Fault]:
    hashes = f"intake_file where not regexp_full_match(sha256, {literal(_SHA256)})"
    yield from _found(registry, hashes, "{n} hashes of files are malformed.", "intake_file", "sha256")
    snapshots = (
        f"intake where not regexp_full_match(snapshot_before, {literal(_SNAPSHOT)}) "
        f"or not regexp_full_match(snapshot_after, {literal(_SNAPSHOT)})"
    )
    yield from _found(registry, snapshots, "{n} snapshots are malformed.", "intake", "snapshot_after")
    parts = "rows_loaded + rows_corrected + rows_unchanged + rows_held_back + rows_refused"
    counts = f"intake_file where rows_read <> {parts} or rows_waiting > rows_held_back"
    yield from _found(registry, counts, "the counts of {n} files do not add up.", "intake_file")
    for table in ("intake_file", "intake_returned", "validation_result", "report_ledger", "erasure"):
        unknown = f"{table} anti join intake using (intake_id)"
        yield from _found(registry, unknown, "{n} rows belong to an intake that is not written down.", table)


def _held_back(registry: Registry) -> Iterator[Fault]:
    bare = "held_back_row anti join held_back using (held_back_id)"
    yield from _found(registry, bare, "{n} entries have no reason.", "held_back_row")
    loose = "held_back anti join held_back_row using (held_back_id)"
    yield from _found(registry, loose, "{n} reasons belong to no entry.", "held_back")
    twice = "(select held_back_id from held_back_row group by all having count(*) > 1)"
    yield from _found(registry, twice, "{n} entries are there more than once.", "held_back_row")
    closing = (
        "held_back_row where (closed_as is null) <> (closed_by_intake_id is null) "
        "or (closed_as = 'replaced') <> (replaced_by is not null) "
        "or (closed_as = 'dismissed') <> (dismissed_reason is not null) or closed_by_intake_id < intake_id"
    )
    yield from _found(registry, closing, "{n} entries are closed in contradiction.", "held_back_row")
    unknown = "held_back_row anti join intake using (intake_id)"
    yield from _found(registry, unknown, "{n} entries belong to an intake that is not written down.", "held_back_row")
    content = "held_back_row where not json_valid(content) or not coalesce(json_valid(source_content), true)"
    yield from _found(registry, content, "the content of {n} entries cannot be read.", "held_back_row", "content")
    numbers = "held_back_row where held_back_id >= (select next_held_back_id from registry_info)"
    yield from _found(registry, numbers, "{n} entries have a number that would be given again.", "held_back_row")


def _merges(registry: Registry) -> Iterator[Fault]:
    still = (
        "patient as own join patient_merge as merged on own.patient_key = merged.other_key "
        "where merged.undone_by_intake_id is null"
    )
    yield from _found(registry, still, "{n} patients whose key was merged away are still there.", "patient")


def _leftovers(registry: Registry) -> Iterator[Fault]:
    for path in leftovers(registry.folder):
        yield Fault(
            "an interrupted change left a copy of the database.",
            path.name,
            mend="Delete it; any change of the registry does so too.",
        )


_CHECKS: dict[str, Callable[[Registry], Iterator[Fault]]] = {
    "Every value readable": _readable,
    "Constraints of every field": _constraints,
    "Unique keys": _keys,
    "References": _references,
    "History": _history,
    "Content sums": _sums,
    "Events": _events,
    "Snapshots of earlier intakes": _snapshots,
    "Files and counts": _files,
    "Rows held back": _held_back,
    "Merged patients": _merges,
    "Left-over files": _leftovers,
}

CHECKS_MADE = tuple(_CHECKS)
"""What `verify` looks at, in words."""
