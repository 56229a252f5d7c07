"""What came in and what was held back, for the audit and for the sites.

A file sent again byte for byte stands for the same records, so its rows are counted as its latest intake found them.
A mended file has other bytes and is counted beside the one it mends: the figures tell what was delivered, not what
is missing now.
"""

from __future__ import annotations

from dataclasses import dataclass

from registry import RECORD_TYPES, Fault, GraftledgerError, Registry

from .figure import Figure

_LATEST_FILE = """
    select * from intake_file
    qualify intake_id = max(intake_id) over (partition by sha256, record_type)
"""


@dataclass(frozen=True)
class IntakeCount:
    """Rows of one record type in one intake; read = loaded + unchanged + held_back."""

    intake_id: int
    record: str
    read: int
    loaded: int
    unchanged: int
    held_back: int


@dataclass(frozen=True)
class HeldBackCount:
    """Rows of one record type in one intake that broke one rule in one field, for one reason."""

    intake_id: int
    record: str
    rule: str
    field: str
    reason: str
    rows: int


@dataclass(frozen=True)
class HeldBackRow:
    """One reason why one row was held back. `key` only where it has the form of a pseudonym."""

    file: str
    row: int
    record: str
    key: str | None
    rule: str
    field: str
    reason: str
    mend: str


def intake_counts(registry: Registry) -> tuple[IntakeCount, ...]:
    """Every intake by record type, the oldest first."""
    rows = registry.connection.execute("""
        select intake_id, record_type, sum(rows_read)::bigint, sum(rows_loaded)::bigint,
            sum(rows_unchanged)::bigint, sum(rows_held_back)::bigint
        from intake_file group by all
    """).fetchall()
    return tuple(IntakeCount(*row) for row in sorted(rows, key=lambda row: (row[0], _order(row[1]))))


def held_back_counts(registry: Registry) -> tuple[HeldBackCount, ...]:
    """Every intake by record type, rule, field and reason, the oldest first and the most rows first within it."""
    rows = registry.connection.execute("""
        select intake_id, record_type, rule, field, reason, count(*) from held_back group by all
    """).fetchall()
    return tuple(
        HeldBackCount(*row) for row in sorted(rows, key=lambda row: (row[0], _order(row[1]), -row[5], row[2:5]))
    )


def held_back_rows(registry: Registry, intake_id: int | None = None) -> tuple[HeldBackRow, ...]:
    """Every reason of every row that one intake held back; of the last intake where none is named.

    Raises: GraftledgerError where there is no such intake.
    """
    known = [row[0] for row in registry.connection.execute("select intake_id from intake order by 1").fetchall()]
    if not known:
        raise GraftledgerError("There has been no intake yet.")
    if intake_id is not None and intake_id not in known:
        raise GraftledgerError(Fault(f"there is no intake {intake_id}.", mend=f"Known: 1 to {known[-1]}."))
    rows = registry.connection.execute(
        """
        select file_name, row_number, record_type, record_key, rule, coalesce(field, ''), reason, mend
        from held_back where intake_id = ?
        order by file_name, row_number, rule, field
        """,
        [known[-1] if intake_id is None else intake_id],
    ).fetchall()
    return tuple(HeldBackRow(*row) for row in rows)


def intake_summary(registry: Registry) -> tuple[Figure, ...]:
    """Rows read, taken in and held back, by record type and by rule, over all files delivered.

    Measures: `rows_read`, `rows_taken_in` (loaded then or before) and `rows_held_back`, grouped by record; and
    `rows_held_back` grouped by record and rule, where a row that breaks two rules counts under both. `n` is the
    count, in rows; there is no estimate, since nothing is estimated.
    """
    totals = registry.connection.execute(f"""
        select record_type, sum(rows_read)::bigint, sum(rows_loaded + rows_unchanged)::bigint,
            sum(rows_held_back)::bigint
        from ({_LATEST_FILE}) group by all
    """).fetchall()
    by_rule = registry.connection.execute(f"""
        select record_type, rule, count(distinct (intake_id, file_name, row_number))
        from held_back semi join ({_LATEST_FILE}) using (intake_id, file_name, record_type)
        group by all
    """).fetchall()
    figures = [
        _count(measure, rows, record=record)
        for record, *counts in sorted(totals, key=lambda row: _order(row[0]))
        for measure, rows in zip(("rows_read", "rows_taken_in", "rows_held_back"), counts, strict=True)
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
