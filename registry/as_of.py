"""The registry as it was after an earlier event: temporary views that stand before the tables of the same names.

A record counts from the event that brought it until the event that replaced it; a row held back is open until the
event that closed it. What an erasure took away stays away: then the view is not what it was, and says so.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from ._ddl import field_names_sql, history_table, quoted
from .database_file import catalog_of
from .definition import RECORD_TYPES
from .errors import Fault, GraftledgerError

if TYPE_CHECKING:
    import duckdb

_BY_INTAKE = ("intake", "intake_file", "intake_returned", "validation_result")


def show_as_of(connection: duckdb.DuckDBPyConnection, intake_id: int) -> int:
    """Let every query on this connection see the registry as that event left it. Returns the erasures since.

    Raises: GraftledgerError where there was no such event.
    """
    last = int(connection.execute("select coalesce(max(intake_id), 0) from intake").fetchall()[0][0])
    if not 1 <= intake_id <= last:
        known = f"Known: 1 to {last}." if last else "There has been no intake yet."
        raise GraftledgerError(Fault(f"there is no intake {intake_id}.", mend=known))
    erased = connection.execute("select count(*) from erasure where intake_id > ?", [intake_id]).fetchall()[0][0]
    catalog = catalog_of(connection)

    def table(name: str) -> str:
        return f"{catalog}.main.{quoted(name)}"

    for record in RECORD_TYPES:
        fields = field_names_sql(record)
        connection.execute(
            f"create temp view {quoted(record.name)} as "
            f"select {fields}, intake_id from {table(record.name)} where intake_id <= {intake_id:d} "
            f"union all select {fields}, intake_id from {table(history_table(record))} "
            f"where intake_id <= {intake_id:d} and replaced_by_intake_id > {intake_id:d}"
        )
    for name in _BY_INTAKE:
        connection.execute(f"create temp view {quoted(name)} as from {table(name)} where intake_id <= {intake_id:d}")
    still = f"closed_by_intake_id > {intake_id:d}"
    closing = ("closed_as", "closed_by_intake_id", "replaced_by", "dismissed_reason")
    replaced = ", ".join(f"case when {still} then null else {name} end as {name}" for name in closing)
    connection.execute(
        f"create temp view held_back_row as select * replace ({replaced}, "
        f"case when {still} then (case when waits then 'waiting' else 'open' end) else status end as status) "
        f"from {table('held_back_row')} where intake_id <= {intake_id:d}"
    )
    connection.execute(
        f"create temp view held_back as from {table('held_back')} where held_back_id in "
        f"(select held_back_id from {table('held_back_row')} where intake_id <= {intake_id:d})"
    )
    return int(erased)
