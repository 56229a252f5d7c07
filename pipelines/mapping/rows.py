"""Rows of one sheet to records of one type: everything that a row tells by itself."""

from __future__ import annotations

from collections.abc import Mapping as MappingOf
from dataclasses import dataclass

import polars as pl

from registry.definition import Field

from ._fields import takes_precision
from .dates import date_values
from .gathering import without_nothing
from .model import LABEL, NO_RECORD, FieldSource, FixedValue, FromColumn, FromLabel, FromYesColumns, RecordRule
from .partial_records import FAULT_SCHEMA, LABEL_COLUMN, ROW_NUMBER, PartialRecords, joined
from .values import days_later, days_of, nothing, read_values, set_of_yes
from .words import plain


@dataclass(frozen=True)
class Rows:
    """Rows of a sheet.

    frame: text by column name, null where empty.
    columns: name in the mapping to name in the sheet, for every column that the mapping names.
    """

    frame: pl.DataFrame
    numbers: pl.Series
    columns: MappingOf[str, str]
    has_number_cells: bool

    def column(self, name: str) -> pl.Series:
        return self.frame[self.columns[name]]

    def filter(self, mask: pl.Series) -> Rows:
        return Rows(self.frame.filter(mask), self.numbers.filter(mask), self.columns, self.has_number_cells)


def rows_chosen(values: pl.Series, answers: frozenset[str]) -> pl.Series:
    """Whether each value is one of the answers."""
    distinct = values.drop_nulls().unique()
    chosen = distinct.filter(pl.Series([plain(value) in answers for value in distinct], dtype=pl.Boolean))
    return values.is_in(chosen.implode()).fill_null(False)


def columns_of(source: FieldSource, label: str | None) -> list[str]:
    """Names in the mapping of the columns from which a field is made, for a label."""
    if isinstance(source, FromYesColumns):
        return [column.replace(LABEL, label or "") for column in source.columns]
    if isinstance(source, FromColumn):
        return [name for name in (source.column_for(label), source.start_column) if name is not None]
    return []


def presence_columns(rule: RecordRule, label: str | None) -> list[str]:
    """Columns of which one must hold something for a record to be there; none where every row is a record."""
    if rule.only_if or label is None:
        return [name.replace(LABEL, label or "") for name in rule.only_if]
    return [
        column
        for source in rule.fields.values()
        if isinstance(source, FromColumn) and source.depends_on_label and (column := source.column_for(label))
    ]


def records_of_rows(rows: Rows, rule: RecordRule) -> PartialRecords:
    """The records that the rows give; those of one label after those of another."""
    if rule.where is not None:
        rows = rows.filter(rows_chosen(rows.column(rule.where.column), rule.where.answers))
    return joined([_of_label(rows, rule, label) for label in rule.labels_or_none])


def _of_label(rows: Rows, rule: RecordRule, label: str | None) -> PartialRecords:
    if names := presence_columns(rule, label):
        filled = pl.any_horizontal(pl.col(rows.columns[name]).is_not_null() for name in names)
        rows = rows.filter(rows.frame.select(filled).to_series())
    height = rows.frame.height
    labels = pl.repeat(label, height, dtype=pl.String, eager=True)
    records = PartialRecords(
        rule, pl.DataFrame({ROW_NUMBER: rows.numbers, LABEL_COLUMN: labels}), pl.DataFrame(schema=FAULT_SCHEMA)
    )
    said_nothing: dict[str, tuple[str, pl.Series]] = {}
    for name, source in rule.fields.items():
        read = _read(rows, rule.record.field(name), source, label)
        if read is None:
            continue
        values, rules, column = read
        none_here = (values == NO_RECORD).fill_null(False)
        if none_here.any():
            said_nothing[name] = (column, none_here)
            values = values.set(none_here, None)
        if isinstance(source, FromColumn) and (partner := takes_precision(rule.record, name, source)):
            precision = date_values(rows.column(column), source.reading.date_formats)[1]
            records = records.with_values(partner, precision)
        records = records.with_values(name, values).with_faults(name, column, rules)
    return without_nothing(records, said_nothing)


def _read(rows: Rows, field: Field, source: FieldSource, label: str | None) -> tuple[pl.Series, pl.Series, str] | None:
    """Values of a field, the rules they break, and the column to name; None for what is made later."""
    height = rows.frame.height
    match source:
        case FixedValue():
            return pl.repeat(source.value, height, dtype=pl.String, eager=True), nothing(height), field.name
        case FromLabel():
            value = source.codes.get(plain(label or ""), label) or None
            return pl.repeat(value, height, dtype=pl.String, eager=True), nothing(height), field.name
        case FromYesColumns():
            names = columns_of(source, label)
            texts = [(rows.column(name), code) for name, code in zip(names, source.columns.values(), strict=True)]
            values, rules = set_of_yes(texts, source)
            return values, rules, names[0]
        case FromColumn():
            column = source.column_for(label)
            if column is None:
                return nothing(height), nothing(height), field.name
            text = rows.column(column)
            if source.days_since is not None:
                values, rules = days_of(text, rows.frame, source, rows.columns)
            else:
                values, rules = read_values(text, field, source.reading, rows.has_number_cells)
            if label is not None and label in source.plus_days:
                values = days_later(values, source.plus_days[label])
            return values, rules, column
        case _:
            return None
