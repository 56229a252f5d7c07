"""Several rows that make one record, and rows that say that there is nothing to record."""

from __future__ import annotations

from collections.abc import Mapping as MappingOf
from dataclasses import replace

import polars as pl

from registry.definition import Kind

from .codes import broken_where
from .faults import NOTHING_AND_SOMETHING
from .model import FromColumn, RecordRule
from .partial_records import FAULT_SCHEMA, LABEL_COLUMN, POSITION, ROW_NUMBER, PartialRecords

_GROUP, _DATE, _NEW = ":group", ":date", ":new"
_TELLS_NOTHING = (Kind.PSEUDONYM, Kind.SITE, Kind.SURGEON, Kind.DATE)


def without_nothing(records: PartialRecords, said_nothing: MappingOf[str, tuple[str, pl.Series]]) -> PartialRecords:
    """Without the rows that say that there is nothing to record.

    said_nothing: field to its column and whether each row says so there. A row in which another column of the record
    says something is kept, with a fault.
    """
    if not said_nothing:
        return records
    rule = records.rule
    said = pl.select(pl.any_horizontal(pl.lit(mask) for _, mask in said_nothing.values())).to_series()
    others = [
        name
        for name, source in rule.fields.items()
        if isinstance(source, FromColumn)
        and (source.depends_on_label or not rule.labels)
        and name in records.frame.columns
        and rule.record.field(name).kind not in _TELLS_NOTHING
    ]
    faulty = records.faults.filter(pl.col("field").is_in(others))[POSITION]
    something = records.frame.select(
        pl.any_horizontal(
            pl.lit(False),
            pl.col(others).is_not_null(),
            pl.int_range(pl.len(), dtype=pl.UInt32).is_in(faulty.implode()),
        )
    ).to_series()
    name, (column, _) = next(iter(said_nothing.items()))
    return records.with_faults(name, column, broken_where(said & something, NOTHING_AND_SOMETHING)).keep(
        ~said | something
    )


def gathered(records: PartialRecords, dates: pl.Series) -> PartialRecords:
    """One record a key from several rows, in the order of a date, each field with its first answer, or its last.

    A row without a key stays alone. The faults of every row count.
    """
    (key,) = records.rule.record.key
    picks = [
        pl.col(name).drop_nulls().last() if _picks_last(records.rule, name) else pl.col(name).drop_nulls().first()
        for name in records.frame.columns
        if name not in (key, ROW_NUMBER, LABEL_COLUMN)
    ]
    ordered = (
        records.frame.with_columns(dates.alias(_DATE))
        .with_row_index(POSITION)
        .sort(_DATE, POSITION, nulls_last=True)
        .with_columns(pl.coalesce(key, pl.lit(":") + pl.col(POSITION).cast(pl.String)).alias(_GROUP))
    )
    one = ordered.group_by(_GROUP, maintain_order=True).agg(pl.col(key, ROW_NUMBER, LABEL_COLUMN).first(), *picks)
    moved = ordered.select(POSITION, _GROUP).join(one.select(_GROUP).with_row_index(_NEW), on=_GROUP)
    faults = (
        records.faults.join(moved, on=POSITION)
        .with_columns(pl.col(_NEW).alias(POSITION))
        .select(list(FAULT_SCHEMA))
        .unique(maintain_order=True)
    )
    return replace(records, frame=one.select(records.frame.columns), faults=faults)


def _picks_last(rule: RecordRule, name: str) -> bool:
    source = rule.fields.get(name)
    return isinstance(source, FromColumn) and source.pick_last
