"""A site's sheets to records: every sheet by its source rule, every column accounted for, then what needs several."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase

import polars as pl

from registry import RECORD_TYPES, Fault, GraftledgerError
from registry.definition import RecordType

from ..sources import SourceSheet
from .across import with_counts_and_days
from .columns import resolved_columns
from .dates import date_values
from .gathering import gathered
from .keys import derived_keys
from .model import DerivedKey, KeyOfRow, Mapping, RecordRule, SourceRule
from .partial_records import LABEL_COLUMN, POSITION, ROW_NUMBER, PartialRecords
from .rows import Rows, records_of_rows, rows_chosen
from .values import nothing
from .words import plain

_ROWS_NAMED = 5


@dataclass(frozen=True)
class MappedTable:
    """Records of one type that one sheet gives.

    frame: `row_number` (Int64; of the source row, so it repeats where a row gives several records) and every field of
        the record type as text (null = empty), as a file of the registry's own layout would hold it.
    faults: one row for each value that could not be mapped: `position` of the record in the frame, `row_number`,
        `field`, `column` (of the source) and `rule` (see `REASONS`). Such a value is null in the frame, and the row
        must be held back.
    source_sha256: of the file. mapping_digest: of the mapping, both in hexadecimal.
    """

    record: RecordType
    file_name: str
    sheet: str | None
    frame: pl.DataFrame
    faults: pl.DataFrame
    source_sha256: str
    mapping_digest: str


def apply_mapping(
    sheets: Sequence[SourceSheet], mapping: Mapping, session_dates: pl.DataFrame | None = None
) -> list[MappedTable]:
    """The records that the sheets give, parents before children.

    session_dates: sessions already in the registry (session_key, performed_on as YYYY-MM-DD text), for days that are
        counted from the session where it is not among the sheets.

    Raises: GraftledgerError, with the faults of all sheets, where a sheet fits no rule or several, a column is
    neither mapped nor dropped, a column that the mapping names is missing, or a row is chosen by no record.
    """
    faults: list[Fault] = []
    found: list[tuple[SourceSheet, PartialRecords]] = []
    for sheet in sheets:
        try:
            rule = source_rule(sheet, mapping)
            if not rule.ignore:
                found += [(sheet, records) for records in _records_of_sheet(sheet, rule)]
        except GraftledgerError as error:
            faults += error.faults
    if faults:
        raise GraftledgerError(*faults)
    order = [record.name for record in RECORD_TYPES]
    found.sort(key=lambda pair: order.index(pair[1].rule.record.name))
    finished = with_counts_and_days([records for _, records in found], session_dates)
    return [_table(sheet, records, mapping.digest) for (sheet, _), records in zip(found, finished, strict=True)]


def source_rule(sheet: SourceSheet, mapping: Mapping) -> SourceRule:
    """The rule of a sheet. Raises: GraftledgerError where none or several fit."""
    fitting = fitting_rules(sheet, mapping)
    if len(fitting) == 1:
        return fitting[0]
    if fitting:
        what = f"{' and '.join(rule.path for rule in fitting)} of {mapping.file_name} both fit."
        raise GraftledgerError(Fault(what, sheet.label, mend="Make their file and sheet patterns exclude each other."))
    raise GraftledgerError(
        Fault(
            f"no source of {mapping.file_name} fits.",
            sheet.label,
            mend="Widen the file or sheet pattern of one, such as file = 'export*.csv', or add a [[source]] for it, "
            "with ignore = true if it is to be left out.",
        )
    )


def fitting_rules(sheet: SourceSheet, mapping: Mapping) -> list[SourceRule]:
    """The rules whose file and sheet patterns fit."""
    name = sheet.file_name.rsplit("/", 1)[-1]
    return [
        rule
        for rule in mapping.sources
        if fits(name, rule.file) and (sheet.sheet is None or fits(sheet.sheet, rule.sheet))
    ]


def fits(name: str, pattern: str) -> bool:
    """Whether a name fits a pattern, whatever its case, accents and spaces."""
    return fnmatchcase(plain(name), plain(pattern))


def _records_of_sheet(sheet: SourceSheet, rule: SourceRule) -> list[PartialRecords]:
    columns = resolved_columns(sheet, rule)
    frame = sheet.frame
    if rule.empty:
        frame = frame.with_columns(_emptied(frame[name], rule.empty) for name in frame.columns)
    rows = Rows(frame, sheet.row_numbers, columns, sheet.has_number_cells)
    _check_every_row_is_chosen(rows, rule, sheet.label)
    order = [record.name for record in RECORD_TYPES]
    done: dict[str, PartialRecords] = {}
    result = []
    for record_rule in sorted(rule.records, key=lambda found: order.index(found.record.name)):
        records = _with_keys(records_of_rows(rows, record_rule), done)
        (key, *others) = record_rule.record.key
        if not others:
            records = replace(records, row_keys=records.frame.select(ROW_NUMBER, LABEL_COLUMN, key))
        if record_rule.gather_by is not None:
            records = gathered(records, _gathering_dates(rows, records, record_rule))
        done.setdefault(record_rule.record.name, records)
        result.append(records)
    return result


def _emptied(values: pl.Series, empty: frozenset[str]) -> pl.Series:
    return values.set(rows_chosen(values, empty), None)


def _check_every_row_is_chosen(rows: Rows, rule: SourceRule, label: str) -> None:
    choices = [record.where for record in rule.records if record.where is not None]
    if not choices:
        return
    if rule.ignore_rows is not None:
        choices.append(rule.ignore_rows)
    chosen = pl.repeat(False, rows.frame.height, eager=True)
    for choice in choices:
        chosen = chosen | rows_chosen(rows.column(choice.column), choice.answers)
    left = rows.numbers.filter(~chosen)
    if left.len():
        shown = [
            Fault(
                "no record takes the row.",
                label,
                row=number,
                field=choices[0].column,
                mend="Add its answer to a where or to ignore_rows of the mapping.",
            )
            for number in left.head(_ROWS_NAMED)
        ]
        if left.len() > _ROWS_NAMED:
            shown.append(Fault(f"{left.len() - _ROWS_NAMED} further rows are taken by no record.", label))
        raise GraftledgerError(*shown)


def _with_keys(records: PartialRecords, done: dict[str, PartialRecords]) -> PartialRecords:
    """With the keys that are those of another record of the row, and then those made of fields."""
    rule = records.rule
    for name, source in rule.fields.items():
        if isinstance(source, KeyOfRow):
            records = records.with_values(name, _keys_of_rows(records, done.get(source.record)))
    ordered = sorted(rule.fields.items(), key=lambda item: item[0] in rule.record.key)
    for name, source in ordered:
        if isinstance(source, DerivedKey):
            parts = [records.frame[LABEL_COLUMN if part == "label" else part] for part in source.parts]
            records = records.with_values(name, derived_keys(rule.record.name, parts))
    return records


def _keys_of_rows(records: PartialRecords, parents: PartialRecords | None) -> pl.Series:
    if parents is None or parents.row_keys is None:
        return nothing(records.frame.height)
    (key,) = parents.rule.record.key
    on = [ROW_NUMBER, LABEL_COLUMN] if parents.rule.labels else [ROW_NUMBER]
    keys = parents.row_keys.select(*on, pl.col(key).alias(":key")).unique(on, maintain_order=True)
    return records.frame.select(on).join(keys, on=on, how="left", maintain_order="left", nulls_equal=True)[":key"]


def _gathering_dates(rows: Rows, records: PartialRecords, rule: RecordRule) -> pl.Series:
    assert rule.gather_by is not None
    dates, _, _ = date_values(rows.column(rule.gather_by), rule.gather_reading.date_formats)
    by_row = pl.DataFrame({ROW_NUMBER: rows.numbers, ":date": dates})
    return records.frame.select(ROW_NUMBER).join(by_row, on=ROW_NUMBER, how="left", maintain_order="left")[":date"]


def _table(sheet: SourceSheet, records: PartialRecords, digest: str) -> MappedTable:
    record = records.rule.record
    frame = records.frame.select(
        pl.col(ROW_NUMBER).alias("row_number"),
        *(
            pl.col(name) if name in records.frame.columns else pl.lit(None, pl.String).alias(name)
            for name in record.field_names
        ),
    )
    faults = (
        records.faults.unique(maintain_order=True)
        .join(records.frame.select(ROW_NUMBER).with_row_index(POSITION), on=POSITION, maintain_order="left")
        .select(pl.col(POSITION).alias("position"), pl.col(ROW_NUMBER).alias("row_number"), "field", "column", "rule")
    )
    return MappedTable(record, sheet.file_name, sheet.sheet, frame, faults, sheet.sha256, digest)
