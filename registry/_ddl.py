"""DuckDB tables, derived from the definition.

A table has its types, required fields, ranges and code lists as constraints. Uniqueness of keys and references
are enforced by the intake inside its transaction and proven again by a check of the whole file, not by indexes:
on two million rows a primary key made the file four times as large and the load three times as slow.
"""

from __future__ import annotations

from collections.abc import Iterable

from .definition import EARLIEST_DATE, RECORD_TYPES, Field, Kind, RecordType


def quoted(name: str) -> str:
    """An SQL identifier."""
    return '"' + name.replace('"', '""') + '"'


def literal(text: str) -> str:
    """An SQL string."""
    return "'" + text.replace("'", "''") + "'"


def enumeration(words: Iterable[str]) -> str:
    """The type whose values are these words, in one byte each.

    >>> enumeration(["none", "mild"])
    "enum ('none', 'mild')"
    """
    return f"enum ({', '.join(map(literal, words))})"


def check_sql(field: Field) -> str | None:
    """The constraint of a field besides its type and not null; None where it has none."""
    column = quoted(field.name)
    match field.kind:
        case Kind.CODE:
            assert field.codes is not None
            return f"{column} in ({', '.join(literal(code) for code in field.codes.names)})"
        case Kind.CODE_SET:
            assert field.codes is not None
            return f"list_has_all([{', '.join(literal(code) for code in field.codes.names)}], {column})"
        case Kind.INTEGER | Kind.NUMBER:
            return f"{column} between {field.low:g} and {field.high:g}"
        case Kind.DATE:
            return f"{column} >= date {literal(EARLIEST_DATE)}"
        case Kind.PSEUDONYM | Kind.QUARTER | Kind.AREA_LABEL:
            assert field.pattern is not None
            return f"regexp_full_match({column}, {literal(field.pattern)})"
        case _:
            return None


def column_ddl(field: Field, record: RecordType) -> str:
    """One column of a create statement. A reference has the form of the key that it is held against at every load."""
    parts = [quoted(field.name), field.sql_type]
    if field.required:
        parts.append("not null")
    if field.name != record.parent_key and (check := check_sql(field)):
        parts.append(f"check ({check})")
    return " ".join(parts)


def table_ddl(record: RecordType) -> str:
    """The create statement of a record table; `intake_id` tells which intake brought the row."""
    columns = [column_ddl(field, record) for field in record.fields] + ["intake_id integer not null"]
    return f"create table {quoted(record.name)} (\n  " + ",\n  ".join(columns) + "\n)"


def history_table(record: RecordType) -> str:
    """Name of the table of the former versions of a record type's rows."""
    return f"{record.name}_history"


def history_ddl(record: RecordType) -> str:
    """The create statement of that table; a version counted from its `intake_id` until `replaced_by_intake_id`."""
    columns = [column_ddl(field, record) for field in record.fields]
    columns += ["intake_id integer not null", "replaced_by_intake_id integer not null"]
    return f"create table {quoted(history_table(record))} (\n  " + ",\n  ".join(columns) + "\n)"


def record_tables_ddl() -> list[str]:
    """The create statements of all record tables and their histories."""
    return [ddl(record) for ddl in (table_ddl, history_ddl) for record in RECORD_TYPES]


def field_names_sql(record: RecordType, alias: str | None = None) -> str:
    """The quoted field names of a record type, with commas between them."""
    prefix = f"{quoted(alias)}." if alias else ""
    return ", ".join(prefix + quoted(field.name) for field in record.fields)


def key_equal_sql(record: RecordType, left: str, right: str) -> str:
    """SQL that two rows, by their aliases, have the same key."""
    return " and ".join(f"{quoted(left)}.{quoted(name)} = {quoted(right)}.{quoted(name)}" for name in record.key)


def row_text_sql(record: RecordType, alias: str | None = None) -> str:
    """SQL for the canonical text of a row: the same for the same content, whenever and however it came in."""
    prefix = f"{quoted(alias)}." if alias else ""
    return text_of_values_sql(f"{prefix}{quoted(field.name)}" for field in record.fields)


def text_of_values_sql(values: Iterable[str]) -> str:
    """The same from SQL for the value of each field, in their order."""
    parts = ", ".join(f"coalesce(({value})::varchar, '')" for value in values)
    return f"concat_ws(chr(31), {parts})"
