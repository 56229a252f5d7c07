"""What a mapping says, once it is read and checked."""

from __future__ import annotations

from collections.abc import Mapping as MappingOf
from dataclasses import dataclass, field

from registry.definition import RECORD_TYPES, Field, RecordType

NO_RECORD = "no_record"
"""The code for a site's answer that there is nothing to record, such as 'none' in a column for complications."""
LABEL = "{label}"
"""Stands in a column name for the label of a repeated group."""


@dataclass(frozen=True)
class Reading:
    """How the text of a column is read.

    codes: a site's answer (as `words.plain` has it) to a registry code, to '' for empty, or to NO_RECORD.
    empty_means: the code that an empty cell stands for; None leaves it empty.
    unit: unit of a number, where it is not the field's own.
    decimal, thousands: signs inside numbers.
    date_formats: forms of dates besides YYYY-MM-DD, which is always read.
    separator: between the answers of a set.
    """

    codes: MappingOf[str, str] = field(default_factory=dict)
    empty_means: str | None = None
    unit: str | None = None
    decimal: str = "."
    thousands: str | None = None
    date_formats: tuple[str, ...] = ()
    separator: str = ";"


@dataclass(frozen=True)
class FromColumn:
    """The value of a column.

    column: its name, with LABEL inside where it differs by label; or
    by_label: its name for each label that has one.
    days_since: the value is a date, and the field the days from this to it: the name of a column, or a field of the
        parent such as `session.performed_on`.
    plus_days: the value is a date, and the field so many days later, by label.
    pick_last: of several rows that make one record, the last answer counts instead of the first.
    """

    reading: Reading
    column: str | None = None
    by_label: MappingOf[str, str] = field(default_factory=dict)
    days_since: str | None = None
    plus_days: MappingOf[str, int] = field(default_factory=dict)
    pick_last: bool = False

    def column_for(self, label: str | None) -> str | None:
        """The column of a label; None where it has none."""
        if self.column is None:
            return self.by_label.get(label or "")
        return self.column.replace(LABEL, label or "")

    @property
    def depends_on_label(self) -> bool:
        return self.column is None or LABEL in self.column

    @property
    def start_column(self) -> str | None:
        """The column of the date from which days are counted; None where there is none."""
        return self.days_since if self.days_since and self.start_of_parent is None else None

    @property
    def start_of_parent(self) -> tuple[str, str] | None:
        """Record type and field of the date from which days are counted; None where it is none of another record."""
        record, _, name = (self.days_since or "").partition(".")
        return (record, name) if name and any(record == known.name for known in RECORD_TYPES) else None


@dataclass(frozen=True)
class FixedValue:
    """The same value in every row."""

    value: str


@dataclass(frozen=True)
class FromLabel:
    """The label of the repeated group, or what it stands for."""

    codes: MappingOf[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class FromYesColumns:
    """A set of codes, from columns that each say yes or no to one of them.

    columns: column name, with LABEL inside where it differs by label, to code.
    all_no: the code for a row in which every column says no; None leaves the field empty.
    """

    columns: MappingOf[str, str]
    reading: Reading
    all_no: str | None = None


@dataclass(frozen=True)
class DerivedKey:
    """A key made from fields of the row, the parent's key first; `label` stands for the label of the group."""

    parts: tuple[str, ...]


@dataclass(frozen=True)
class KeyOfRow:
    """The key of the record of that type that the same row gives."""

    record: str


@dataclass(frozen=True)
class CountedBy:
    """1, 2, 3 in the order of a date within the parent, plus a number that the parent gives."""

    date_field: str
    plus: str | None = None


FieldSource = FromColumn | FixedValue | FromLabel | FromYesColumns | DerivedKey | KeyOfRow | CountedBy


@dataclass(frozen=True)
class RowChoice:
    """Rows whose column holds one of these answers (as `words.plain` has them)."""

    column: str
    answers: frozenset[str]


@dataclass(frozen=True)
class RecordRule:
    """How rows of a sheet become records of one type.

    path: where it stands in the mapping, for messages.
    labels: of the repeated groups that each row holds; empty where a row is one record.
    only_if: a row gives a record only where one of these columns holds anything; empty takes every row.
    where: which rows it takes; None takes every row.
    gather_by: column with the date in whose order several rows make one record of a key; None where each row is one.
    gather_reading: how that date is read.
    """

    path: str
    record: RecordType
    fields: MappingOf[str, FieldSource]
    labels: tuple[str, ...] = ()
    only_if: tuple[str, ...] = ()
    where: RowChoice | None = None
    gather_by: str | None = None
    gather_reading: Reading = field(default_factory=Reading)

    @property
    def labels_or_none(self) -> tuple[str | None, ...]:
        return self.labels or (None,)

    def definition(self, name: str) -> Field:
        return self.record.field(name)


@dataclass(frozen=True)
class SourceRule:
    """How the sheets of one kind become records.

    file, sheet: patterns of file and sheet name; `*` stands for anything.
    ignore: such sheets are left out as a whole.
    empty: texts (as `words.plain` has them) that mean an empty cell.
    drop: columns that are left out.
    ignore_rows: rows that are left out; only beside records that choose their rows.
    """

    path: str
    file: str
    sheet: str
    ignore: bool = False
    encoding: str | None = None
    empty: frozenset[str] = frozenset()
    drop: tuple[str, ...] = ()
    ignore_rows: RowChoice | None = None
    records: tuple[RecordRule, ...] = ()


@dataclass(frozen=True)
class Mapping:
    """How a site's files become records.

    digest: SHA-256 of the mapping's file, in hexadecimal.
    """

    file_name: str
    site: str
    sources: tuple[SourceRule, ...]
    digest: str
