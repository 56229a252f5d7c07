"""What came in and what is held back, for the audit and for the sites.

A file sent again byte for byte stands for the same records, so its rows are counted as its latest intake found them.
A row that was held back and came back mended was delivered twice; what is held back is counted by what is open now.
"""

from __future__ import annotations

from dataclasses import dataclass

from registry import RECORD_TYPES, Registry

from .figure import Figure

_LATEST_FILE = """
    select * from intake_file
    qualify intake_id = max(intake_id) over (partition by sha256, sheet, record_type, mapping_digest)
"""


@dataclass(frozen=True)
class IntakeCount:
    """Rows of one record type in the files of one intake; read = loaded + corrected + unchanged + held_back + refused.

    held_back: when it came; what became of it since stands with the entry.
    """

    intake_id: int
    record: str
    read: int
    loaded: int
    corrected: int
    unchanged: int
    held_back: int
    refused: int


@dataclass(frozen=True)
class HeldBackCount:
    """Rows of one record type that are held back now for one reason. A row with two reasons counts under both."""

    record: str
    rule: str
    field: str
    reason: str
    rows: int


def intake_counts(registry: Registry) -> tuple[IntakeCount, ...]:
    """Every intake of files by record type, the oldest first."""
    rows = registry.connection.execute("""
        select intake_id, record_type, sum(rows_read)::bigint, sum(rows_loaded)::bigint, sum(rows_corrected)::bigint,
            sum(rows_unchanged)::bigint, sum(rows_held_back)::bigint, sum(rows_refused)::bigint
        from intake_file group by all
    """).fetchall()
    return tuple(IntakeCount(*row) for row in sorted(rows, key=lambda row: (row[0], _order(row[1]))))


def held_back_counts(registry: Registry) -> tuple[HeldBackCount, ...]:
    """What is held back now, waiting rows included, by record type and reason, the most rows first."""
    rows = registry.connection.execute("""
        select record_type, rule, field, reason, count(*)
        from held_back join held_back_row using (held_back_id) where closed_as is null group by all
    """).fetchall()
    return tuple(HeldBackCount(*row) for row in sorted(rows, key=lambda row: (_order(row[0]), -row[4], row[1:4])))


def intake_summary(registry: Registry) -> tuple[Figure, ...]:
    """Rows read, taken in and held back, by record type, and those held back now by rule.

    Measures: `rows_read`, `rows_taken_in` (loaded, correcting a record, or there already), `rows_held_back_then` (when
    they were delivered), `rows_refused`, and `rows_held_back` (now, waiting rows included), grouped by record; and
    `rows_held_back` grouped by record and rule, where a row that breaks two rules counts under both. `n` is the
    count, in rows; there is no estimate, since nothing is estimated.
    """
    totals = registry.connection.execute(f"""
        with delivered as (
            select record_type, sum(rows_read)::bigint as rows_read,
                sum(rows_loaded + rows_corrected + rows_unchanged)::bigint as taken_in,
                sum(rows_held_back)::bigint as held_back_then, sum(rows_refused)::bigint as refused
            from ({_LATEST_FILE}) group by all
        ),
        held as (select record_type, count(*) as held_back from held_back_row where closed_as is null group by all)
        select record_type, coalesce(rows_read, 0), coalesce(taken_in, 0), coalesce(held_back_then, 0),
            coalesce(refused, 0), coalesce(held_back, 0)
        from delivered full join held using (record_type)
    """).fetchall()
    by_rule = registry.connection.execute("""
        select record_type, rule, count(distinct held_back_id)
        from held_back join held_back_row using (held_back_id) where closed_as is null group by all
    """).fetchall()
    measures = ("rows_read", "rows_taken_in", "rows_held_back_then", "rows_refused", "rows_held_back")
    figures = [
        _count(measure, rows, record=record)
        for record, *counts in sorted(totals, key=lambda row: _order(row[0]))
        for measure, rows in zip(measures, counts, strict=True)
    ]
    figures += [
        _count("rows_held_back", rows, record=record, rule=rule)
        for record, rule, rows in sorted(by_rule, key=lambda row: (_order(row[0]), -row[2], row[1]))
    ]
    return tuple(figures)


def _count(measure: str, rows: int, **group: str) -> Figure:
    return Figure(measure, rows, "rows", "count", group=group)


def _order(record: str) -> int:
    return [declared.name for declared in RECORD_TYPES].index(record)
