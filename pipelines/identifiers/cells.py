"""Where a table holds what looks like an identifier: its columns by their names, its cells by their values."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import polars as pl

from registry.definition import Field, Kind, RecordType

from .birth_dates import birth_date_columns, stray_birth_dates, year_columns
from .classify import classified
from .coded_fields import doubtful_texts, texts_that_tell
from .free_text import texts_written_afresh
from .headers import suggested_kind
from .keys import PATIENT_KEY, all_pseudonyms, keys_among, keys_that_tell
from .kinds import PRIORITY, IdentifierKind
from .names import has_given_name, names_among

_YES_OR_NO = r"^(?i:yes|no|y|n|ja|nein|j|oui|non|o|s[ií]|sim|não|nao|nee|evet|hay[ıi]r|e|h|tak|nie|t|true|false|0|1|x)$"
_CELLS = {"column": pl.UInt32, "row": pl.Int64, "kind": pl.String}
_EARLY_DATES = frozenset({"first_surgery_on", "performed_on"})
"""Surgeries may lie far before the practice's own records, so that a single early date says nothing."""


@dataclass(frozen=True)
class TableFacts:
    """What is known of a table before its values are looked at.

    record: the record type whose field names the columns carry, so that text where a code, number or date belongs
        is found too; None for a site's own columns.
    header: the column names as they stand in the file, where they differ from those of the frame.
    row_numbers: the number of each row in the file; where left out, 1 is the first row below the header.
    site_codes, surgeon_codes: of the settings; where left out, a code cannot be told from a surname.
    today: stands for the other dates in a table that holds a single column of dates.
    """

    record: RecordType | None = None
    header: Sequence[str] | None = None
    row_numbers: pl.Series | None = None
    site_codes: Collection[str] = ()
    surgeon_codes: Collection[str] = ()
    today: date | None = None

    def field(self, column: str) -> Field | None:
        """The declared field of a column."""
        return self.record.field(column) if self.record and column in self.record.field_names else None

    def codes(self, field: Field) -> Collection[str]:
        """The codes that the settings allow in a field."""
        return {Kind.SITE: self.site_codes, Kind.SURGEON: self.surgeon_codes}.get(field.kind, ())

    def names(self, frame: pl.DataFrame) -> Sequence[str]:
        """The column names as they stand in the file."""
        return frame.columns if self.header is None else self.header


def telling_columns(frame: pl.DataFrame, facts: TableFacts) -> dict[int, IdentifierKind]:
    """The columns, by position from 0, whose names suggest an identifier, or look like one themselves.

    A column of nothing but yes and no tells nobody's telephone number; and a patient column is no record number where
    every value could be a pseudonym.
    """
    undeclared = [
        (position, column, name)
        for position, (column, name) in enumerate(zip(frame.columns, facts.names(frame), strict=True))
        if frame.schema[column] == pl.String and not facts.field(column)
    ]
    looks = classified(pl.Series([name for *_, name in undeclared], dtype=pl.String).unique())
    looks |= {name: IdentifierKind.NAME for *_, name in undeclared if has_given_name(name)}
    found = {}
    for position, column, name in undeclared:
        if name in looks:
            found[position] = looks[name]
        elif (kind := suggested_kind(name)) and not _harmless(frame[column].drop_nulls(), kind):
            found[position] = kind
    return found


def _harmless(values: pl.Series, kind: IdentifierKind) -> bool:
    if values.is_empty():
        return False
    if kind is IdentifierKind.RECORD_NUMBER and all_pseudonyms(values.head(1)):
        return all_pseudonyms(values.unique())
    return bool(values.str.strip_chars().str.contains(_YES_OR_NO).all())


def telling_cells(frame: pl.DataFrame, facts: TableFacts) -> pl.DataFrame:
    """Every cell that looks like an identifier.

    frame: text columns; empty cells are null. Columns of another type are not looked at.
    Returns one row a cell: `column` and `row` by position from 0, `kind` as the name of an IdentifierKind.
    """
    found = list(_birth_dates(frame, facts))
    looked_at: dict[str, pl.Series] = {}
    for name in _text_columns(frame):
        looked_at[name], kinds = _judged_by_meaning(frame[name], facts)
        found.append(_cells(frame, name, kinds))
    if looked_at:
        forms = _table(classified(pl.concat(values.alias("value") for values in looked_at.values()).unique()))
        for name, values in looked_at.items():
            found.append(_cells(frame, name, forms.filter(pl.col("value").is_in(values.implode()))))
    rank = pl.col("kind").replace_strict({kind.name: rank for kind, rank in PRIORITY.items()}, return_dtype=pl.UInt8)
    cells = pl.concat([pl.DataFrame(schema=_CELLS), *found]).sort("column", "row", rank)
    return cells.unique(["column", "row"], keep="first", maintain_order=True)


def _text_columns(frame: pl.DataFrame) -> list[str]:
    """The text columns that hold anything."""
    return [column.name for column in frame if column.dtype == pl.String and column.null_count() < frame.height]


def _judged_by_meaning(column: pl.Series, facts: TableFacts) -> tuple[pl.Series, pl.DataFrame]:
    """The distinct values whose form is still to be looked at, and those that tell by the column's meaning."""
    distinct, field = column.drop_nulls().unique(), facts.field(column.name)
    if field is None:
        keys = keys_among(distinct)
        others = distinct.filter(~distinct.is_in(keys.implode()))
        afresh = dict.fromkeys(texts_written_afresh(column), IdentifierKind.FREE_TEXT)
        names = dict.fromkeys(names_among(others), IdentifierKind.NAME)
        return others, _table(afresh | names | keys_that_tell(keys, PATIENT_KEY))
    if field.kind is Kind.PSEUDONYM:
        return distinct.clear(), _table(keys_that_tell(distinct, field))
    doubtful = doubtful_texts(distinct, field, facts.codes(field))
    names = dict.fromkeys(names_among(doubtful), IdentifierKind.NAME)
    return doubtful, _table(texts_that_tell(doubtful, field, facts.codes(field)) | names)


def _table(kinds: Mapping[str, IdentifierKind]) -> pl.DataFrame:
    columns = {"value": list(kinds), "kind": [kind.name for kind in kinds.values()]}
    return pl.DataFrame(columns, schema={"value": pl.String, "kind": pl.String})


def _cells(frame: pl.DataFrame, name: str, telling: pl.DataFrame) -> pl.DataFrame:
    if telling.is_empty():
        return pl.DataFrame(schema=_CELLS)
    rows = pl.DataFrame({"row": pl.int_range(frame.height, dtype=pl.Int64, eager=True), "value": frame[name]})
    position = pl.lit(frame.columns.index(name), pl.UInt32)
    return rows.join(telling, on="value").select(position.alias("column"), "row", "kind")


def _birth_dates(frame: pl.DataFrame, facts: TableFacts) -> Iterator[pl.DataFrame]:
    fields = {name: facts.field(name) for name in _text_columns(frame)}
    dated = [name for name, field in fields.items() if field is None or field.kind is Kind.DATE]
    years = year_columns(frame.select(dated))
    kinds = {name: frame[name].drop_nulls().unique() for name in birth_date_columns(years, facts.today)}
    for name in years:
        if name not in kinds and fields[name] is not None and name not in _EARLY_DATES:
            kinds[name] = stray_birth_dates(frame[name])
    for name, values in kinds.items():
        yield _cells(frame, name, _table(dict.fromkeys(values.to_list(), IdentifierKind.BIRTH_DATE)))
