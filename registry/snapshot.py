"""The snapshot identifier: which records a figure rests on, whatever the order or batches they arrived in."""

from __future__ import annotations

from dataclasses import dataclass
from hashlib import sha256
from typing import TYPE_CHECKING

from ._ddl import quoted, row_text_sql
from .definition import RECORD_TYPES, RecordType
from .inserting import insert_values

if TYPE_CHECKING:
    import duckdb

_MODULUS = 2**64


@dataclass(frozen=True)
class ContentSum:
    """Row count and the sums, modulo 2^64, of the lower and upper halves of each row's MD5.

    Sums do not depend on the order of rows, and what an intake adds or replaces can be added or taken away.
    They identify content; they are no protection against someone who sets out to forge it.
    """

    row_count: int = 0
    lower_sum: int = 0
    upper_sum: int = 0

    def __add__(self, other: ContentSum) -> ContentSum:
        return ContentSum(
            self.row_count + other.row_count,
            (self.lower_sum + other.lower_sum) % _MODULUS,
            (self.upper_sum + other.upper_sum) % _MODULUS,
        )

    def __sub__(self, other: ContentSum) -> ContentSum:
        return ContentSum(
            self.row_count - other.row_count,
            (self.lower_sum - other.lower_sum) % _MODULUS,
            (self.upper_sum - other.upper_sum) % _MODULUS,
        )


def content_sum(connection: duckdb.DuckDBPyConnection, record: RecordType, relation: str) -> ContentSum:
    """The sum over a table or view that has the record type's columns, typed as in its table."""
    rows = connection.execute(
        f"select count(*), coalesce(sum(md5_number_lower(line)::hugeint), 0), "
        f"coalesce(sum(md5_number_upper(line)::hugeint), 0) "
        f"from (select {row_text_sql(record)} as line from {quoted(relation)})"
    ).fetchall()
    count, lower, upper = rows[0]
    return ContentSum(int(count), int(lower) % _MODULUS, int(upper) % _MODULUS)


def stored_sums(connection: duckdb.DuckDBPyConnection) -> dict[str, ContentSum]:
    """The sums that the registry keeps, by record type."""
    rows = connection.execute("select record_type, row_count, lower_sum, upper_sum from content_sum").fetchall()
    kept = {name: ContentSum(int(n), int(lower), int(upper)) for name, n, lower, upper in rows}
    return {record.name: kept.get(record.name, ContentSum()) for record in RECORD_TYPES}


def store_sums(connection: duckdb.DuckDBPyConnection, sums: dict[str, ContentSum]) -> None:
    """Replace the sums that the registry keeps; the caller holds the transaction."""
    connection.execute("delete from content_sum")
    insert_values(
        connection, "content_sum", [(name, s.row_count, s.lower_sum, s.upper_sum) for name, s in sums.items()]
    )


def computed_sums(connection: duckdb.DuckDBPyConnection) -> dict[str, ContentSum]:
    """The sums computed afresh from every record table."""
    return {record.name: content_sum(connection, record, record.name) for record in RECORD_TYPES}


def snapshot_id(sums: dict[str, ContentSum]) -> str:
    """Sixteen hexadecimal digits that stand for the content.

    >>> snapshot_id({}) == snapshot_id({"patient": ContentSum()})
    True
    """
    lines = [
        f"{record.name}:{s.row_count}:{s.lower_sum:016x}:{s.upper_sum:016x}"
        for record in RECORD_TYPES
        if (s := sums.get(record.name, ContentSum())).row_count
    ]
    return sha256("\n".join(lines).encode()).hexdigest()[:16]
