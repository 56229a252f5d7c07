"""Text to typed values, and which rows of a delivery are new.

A value that cannot be read as its kind becomes null in the typed table; the text stays in the staging table, where
the checks judge it. Each row also gets `content`, a hash of its canonical text: the same text that the snapshot adds
up, so that 07, 7 and 7.0 in a number are one content, as are b;a and a;b in a set. Unreadable text enters the hash as
it is, marked, so that it equals nothing that the registry holds.

A file that was taken in before, byte for byte, changes nothing: its rows count as unchanged where they equal a former
version of a record too, so that an old export sent again undoes no correction.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry import history_table, key_equal_sql, literal, quoted, row_text_sql, text_of_values_sql
from registry.definition import PATIENT, SET_SEPARATOR, Field, Kind, RecordType

from .names import ALIAS, SENT, candidate, staged, typed

if TYPE_CHECKING:
    import duckdb

_UNREADABLE = "chr(30)"


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
    return f"case when {written_sql(field, text)} then {value} end"


def written_sql(field: Field, text: str) -> str:
    """Whether a text is written as its field asks; null where there is none. field: of a kind with a pattern."""
    assert field.pattern is not None
    return f"regexp_full_match({text}, {literal(field.pattern)})"


def text_sql(field: Field, alias: str) -> str:
    """The text of a field from its typed value, as a file would hold it."""
    value = f"{quoted(alias)}.{quoted(field.name)}"
    match field.kind:
        case Kind.YES_NO:
            return f"case {value} when true then 'yes' when false then 'no' end"
        case Kind.CODE_SET:
            return f"array_to_string({value}, {literal(SET_SEPARATOR)})"
        case Kind.NUMBER:
            return f"regexp_replace({value}::varchar, '\\.0$', '')"
        case _:
            return f"{value}::varchar"


def type_rows(connection: duckdb.DuckDBPyConnection, record: RecordType) -> None:
    """Make the typed table of a record type, and the candidates, from its staging table.

    A patient's key that was merged into another is read as the key that was kept. Keys are looked up before contents
    are compared: where none is known, no more than the keys of the registry is read.
    """
    has_key = " and ".join(f"{quoted(name)} is not null" for name in record.key)
    hashed, apart = f"hashed_{record.name}", f"apart_{record.name}"
    connection.execute(f"""
        create or replace temp table {hashed} as
        select row_id, file_id, row_number, held_back_id, {_values_sql(record)},
            md5_number(concat({_canonical_sql(record)}, {_UNREADABLE} || array_to_string(unmapped, ','))) as content
        from {_source_sql(record)}
    """)
    connection.execute(f"""
        create or replace temp table {apart} as
        with known as (
            select hashed.row_id, bool_or(hashed.content = md5_number({row_text_sql(record, "held")})) as unchanged
            from (
                from {hashed} as own semi join {quoted(record.name)} as held on {key_equal_sql(record, "own", "held")}
            ) as hashed
            join {quoted(record.name)} as held on {key_equal_sql(record, "hashed", "held")}
            group by all
        ),
        superseded as (
            select distinct hashed.row_id
            from (
                from {hashed}
                where file_id in (select file_id from {SENT} where was_sent_before){_or_merged_sql(record)}
            ) as hashed
            join {quoted(history_table(record))} as former on {key_equal_sql(record, "hashed", "former")}
            where hashed.content = md5_number({row_text_sql(record, "former")})
        ),
        repeated as (
            select content, min(row_id) as first_row from {hashed} where {has_key} group by content having count(*) > 1
        )
        select
            hashed.row_id,
            known.row_id is not null as key_is_known,
            coalesce(known.unchanged, false) or superseded.row_id is not null as unchanged,
            coalesce(first_row, hashed.row_id) as same_as
        from {hashed} as hashed
        left join known on known.row_id = hashed.row_id
        left join superseded on superseded.row_id = hashed.row_id
        left join repeated on repeated.content = hashed.content and {has_key}
        where known.row_id is not null or superseded.row_id is not null or first_row is not null
    """)
    if not connection.execute(f"select count(*) from {apart}").fetchall()[0][0]:
        connection.execute(
            f"create or replace temp view {typed(record)} as select *, false as key_is_known, "
            f"row_id as same_as, 'candidate' as standing from {hashed}"
        )
        connection.execute(f"create or replace temp view {candidate(record)} as from {staged(record)}")
        return
    connection.execute(f"""
        create or replace temp table {typed(record)} as
        select
            hashed.*,
            coalesce(key_is_known, false) as key_is_known,
            coalesce(same_as, row_id) as same_as,
            case when unchanged then 'unchanged' when same_as < row_id then 'copy' else 'candidate' end as standing
        from {hashed} as hashed left join {apart} using (row_id)
    """)
    connection.execute(f"drop table {hashed}")
    connection.execute(
        f"create or replace temp table {candidate(record)} as from {staged(record)} "
        f"semi join (from {typed(record)} where standing = 'candidate') as new using (row_id)"
    )


def _values_sql(record: RecordType) -> str:
    return ", ".join(f"{_read_sql(field)} as {quoted(field.name)}" for field in record.fields)


def _canonical_sql(record: RecordType) -> str:
    """The canonical text of a row; what cannot be read is in it as it is, marked."""
    return text_of_values_sql(_canonical_value_sql(field) for field in record.fields)


def _canonical_value_sql(field: Field) -> str:
    text, read = quoted(field.name), _read_sql(field)
    return text if read == text else f"coalesce(({read})::varchar, {_UNREADABLE} || {text})"


def _read_sql(field: Field) -> str:
    return f"coalesce(kept_key, {readable_sql(field)})" if field.refers_to == PATIENT.name else readable_sql(field)


def _or_merged_sql(record: RecordType) -> str:
    """A patient row under a key that was merged is known where it says what it said then, in any file."""
    return f" or {PATIENT.key[0]} in (select other_key from {ALIAS})" if record.name == PATIENT.name else ""


def _source_sql(record: RecordType) -> str:
    if record.parent != PATIENT.name:
        return staged(record)
    return (
        f"{staged(record)} left join {ALIAS} on {ALIAS}.other_key = {staged(record)}.{quoted(str(record.parent_key))}"
    )
