"""Text to typed values, and which rows of a delivery are new.

A value that cannot be read as its kind becomes null in the typed table; the text stays in the staging table, where
the checks judge it. Each row also gets `content`, a hash of its canonical text: the same text that the snapshot adds
up, so that 07, 7 and 7.0 in a number are one content, as are b;a and a;b in a set. Unreadable text enters the hash as
it is, marked, so that it equals nothing that the registry holds.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry import literal, quoted, row_text_sql
from registry.definition import SET_SEPARATOR, Field, Kind, RecordType

from .staging import staged

if TYPE_CHECKING:
    import duckdb

_UNREADABLE = "chr(30)"


def typed(record: RecordType) -> str:
    """Name of the table of a delivery's typed rows: `row_id`, the fields, `content`, `standing` and `same_as`.

    standing: `unchanged` where the registry holds the row as it is, `copy` where an earlier row of the delivery has
        the same key and content (its row_id is `same_as`), else `candidate`.
    key_is_known: whether the registry holds the row's key.
    """
    return f"typed_{record.name}"


def readable_sql(field: Field) -> str:
    """The typed value of a field from its text, null where it cannot be read."""
    text = quoted(field.name)
    match field.kind:
        case Kind.YES_NO:
            return f"case {text} when 'yes' then true when 'no' then false end"
        case Kind.CODE | Kind.SITE | Kind.SURGEON:
            return text
        case Kind.CODE_SET:
            value = f"list_sort(list_distinct(string_split({text}, {literal(SET_SEPARATOR)})))"
        case Kind.NUMBER:
            value = f"try_cast({text} as double) + 0.0"  # the sum turns -0 into 0
        case Kind.DATE | Kind.INTEGER:
            value = f"try_cast({text} as {field.sql_type})"
        case _:
            value = text
    assert field.pattern is not None
    return f"case when regexp_full_match({text}, {literal(field.pattern)}) then {value} end"


def key_equal_sql(record: RecordType, left: str, right: str) -> str:
    """SQL that two rows, by their aliases, have the same key."""
    return " and ".join(f"{left}.{quoted(name)} = {right}.{quoted(name)}" for name in record.key)


def type_rows(connection: duckdb.DuckDBPyConnection, record: RecordType) -> None:
    """Make the typed table of a record type from its staging table."""
    values = ", ".join(f"{readable_sql(field)} as {quoted(field.name)}" for field in record.fields)
    canonical = ", ".join(
        f"{literal(field.name)}: coalesce(({readable_sql(field)})::varchar, {_UNREADABLE} || {quoted(field.name)})"
        for field in record.fields
    )
    names = ", ".join(quoted(name) for name in record.field_names)
    key = ", ".join(quoted(name) for name in record.key)
    has_key = " and ".join(f"{quoted(name)} is not null" for name in record.key)
    connection.execute(f"""
        create temp table {typed(record)} as
        with readable as (
            select row_id, {values}, {{{canonical}}} as canonical from {staged(record)}
        ),
        hashed as (
            select row_id, {names}, md5_number({row_text_sql(record, "canonical")}) as content from readable
        ),
        known as (
            select hashed.row_id, bool_or(hashed.content = md5_number({row_text_sql(record, "held")})) as unchanged
            from hashed join {quoted(record.name)} as held on {key_equal_sql(record, "hashed", "held")}
            group by all
        ),
        compared as (
            select
                hashed.*,
                known.row_id is not null as key_is_known,
                coalesce(known.unchanged, false) as unchanged,
                case when {has_key} then min(row_id) over (partition by {key}, content) else row_id end as same_as
            from hashed left join known using (row_id)
        )
        select
            * exclude (unchanged),
            case when unchanged then 'unchanged' when same_as < row_id then 'copy' else 'candidate' end as standing
        from compared
    """)
