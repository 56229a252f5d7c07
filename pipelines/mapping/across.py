"""What a record needs from others of the same delivery: its number in order, and days since its parent's date."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from .codes import broken_where
from .faults import UNCLEAR_ORDER, UNKNOWN_START
from .model import CountedBy, FromColumn
from .partial_records import PartialRecords
from .values import days_between

_TABLE, _ROW = ":table", ":row"


def with_counts_and_days(tables: Sequence[PartialRecords], session_dates: pl.DataFrame | None) -> list[PartialRecords]:
    """The records of all sheets, with what is counted and what is a time since the parent's date."""
    done = list(tables)
    for name in {name for table in tables for name in _fields_of(table, CountedBy)}:
        done = _counted(done, name)
    return [_with_days(table, done, session_dates) for table in done]


def _fields_of(table: PartialRecords, kind: type) -> list[str]:
    return [name for name, source in table.rule.fields.items() if isinstance(source, kind)]


def _counted(tables: list[PartialRecords], name: str) -> list[PartialRecords]:
    """Number each parent's records of all sheets 1, 2, 3 by date. A record that stands twice has one number."""
    concerned = [at for at, table in enumerate(tables) if name in _fields_of(table, CountedBy)]
    record = tables[concerned[0]].rule.record
    parent_key = record.parent_key
    assert parent_key is not None
    (key,) = record.key
    pieces = []
    for at in concerned:
        source = tables[at].rule.fields[name]
        assert isinstance(source, CountedBy)
        pieces.append(
            tables[at].frame.select(
                pl.lit(at, pl.Int64).alias(_TABLE),
                pl.int_range(pl.len(), dtype=pl.Int64).alias(_ROW),
                pl.col(parent_key).alias("parent"),
                pl.col(key).alias("key"),
                pl.col(source.date_field).alias("date"),
            )
        )
    rows = pl.concat(pieces)
    known = pl.all_horizontal(pl.col("parent", "key", "date").is_not_null())
    one = rows.filter(known).unique(["parent", "key"], maintain_order=True)
    numbered = one.select(
        "parent",
        "key",
        pl.col("date").rank("ordinal").over("parent").cast(pl.Int64).alias("number"),
        (pl.len().over("parent", "date") > 1).alias("tied"),
    )
    rows = rows.join(numbered, on=["parent", "key"], how="left", maintain_order="left")
    result = list(tables)
    for at in concerned:
        mine = rows.filter(pl.col(_TABLE) == at)
        source = tables[at].rule.fields[name]
        assert isinstance(source, CountedBy)
        number = mine["number"] + _parents_number(tables, mine["parent"], source.plus)
        tied = mine["tied"].fill_null(False)
        table = tables[at].with_values(name, number.set(tied, None).cast(pl.String))
        result[at] = table.with_faults(name, source.date_field, broken_where(tied, UNCLEAR_ORDER))
    return result


def _parents_number(tables: Sequence[PartialRecords], parents: pl.Series, plus: str | None) -> pl.Series:
    """What the parent adds to the count: 0 where it is unknown or says nothing."""
    none = pl.repeat(0, parents.len(), dtype=pl.Int64, eager=True)
    if plus is None:
        return none
    record_name, name = plus.split(".")
    values = _values_by_key(tables, record_name, name)
    if values is None:
        return none
    found = parents.to_frame("key").join(values, on="key", how="left", maintain_order="left")["value"]
    return found.cast(pl.Int64, strict=False).fill_null(0)


def _values_by_key(tables: Sequence[PartialRecords], record_name: str, name: str) -> pl.DataFrame | None:
    """`key` and `value`: a field of all records of a type, one row a key."""
    pieces = [
        table.frame.select(pl.col(table.rule.record.key[0]).alias("key"), pl.col(name).alias("value"))
        for table in tables
        if table.rule.record.name == record_name and name in table.frame.columns
    ]
    return pl.concat(pieces).drop_nulls().unique("key", maintain_order=True) if pieces else None


def _with_days(
    table: PartialRecords, tables: Sequence[PartialRecords], session_dates: pl.DataFrame | None
) -> PartialRecords:
    """Dates to days since the date of the parent, where the parent is known."""
    parent_key = table.rule.record.parent_key
    for name, source in table.rule.fields.items():
        if not isinstance(source, FromColumn) or source.days_since is None or "." not in source.days_since:
            continue
        assert parent_key is not None
        record_name, date_field = source.days_since.split(".")
        known = [_values_by_key(tables, record_name, date_field)]
        if session_dates is not None and (record_name, date_field) == ("session", "performed_on"):
            known.append(
                session_dates.select(pl.col("session_key").alias("key"), pl.col("performed_on").alias("value"))
            )
        pieces = [piece for piece in known if piece is not None]
        dates = table.frame[name]
        if pieces:
            starts = pl.concat(pieces).unique("key", keep="first", maintain_order=True)
            start = table.frame.select(pl.col(parent_key).alias("key")).join(
                starts, on="key", how="left", maintain_order="left"
            )["value"]
        else:
            start = pl.repeat(None, dates.len(), dtype=pl.String, eager=True)
        missing = broken_where(dates.is_not_null() & start.is_null(), UNKNOWN_START)
        table = table.with_values(name, days_between(start, dates))
        table = table.with_faults(name, source.column_for(None) or name, missing)
    return table
