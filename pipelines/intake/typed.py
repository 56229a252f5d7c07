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
        f"coalesce(value.{quoted(name)}::varchar, {_UNREADABLE} || text.{quoted(name)}) as {quoted(name)}"
        for name in record.field_names
    )
    key = ", ".join(quoted(name) for name in record.key)
    keyed = " and ".join(f"{quoted(name)} is not null" for name in record.key)
    connection.execute(f"""
        create temp table {typed(record)} as
        with value as (
            select row_id, {values} from {staged(record)}
        ),
        canonical as (
            select row_id, {canonical} from value join {staged(record)} as text using (row_id)
        ),
        hashed as (
            select row_id, md5_number({row_text_sql(record)}) as content from canonical
        ),
        known as (
            select value.row_id, bool_or(md5_number({row_text_sql(record, "held")}) = hashed.content) as unchanged
            from value
            join hashed using (row_id)
            join {quoted(record.name)} as held on {key_equal_sql(record, "value", "held")}
            group by value.row_id
        ),
        first_of_content as (
            select row_id, case when {keyed} then min(row_id) over (partition by {key}, content) end as first_row_id
            from value join hashed using (row_id)
        )
        select
            value.*,
            hashed.content,
            known.row_id is not null as key_is_known,
            case
                when known.unchanged then 'unchanged'
                when first_row_id < value.row_id then 'copy'
                else 'candidate'
            end as standing,
            coalesce(first_row_id, value.row_id) as same_as
        from value
        join hashed using (row_id)
        join first_of_content using (row_id)
        left join known using (row_id)
    """)
