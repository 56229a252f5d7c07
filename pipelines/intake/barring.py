"""Keys of which nothing is taken in: patients who were erased, and those who have withdrawn consent.

What an erasure left are salted hashes, so that keys that come again are known without being kept. A withdrawal counts
from the delivery that brings it until the patient is erased, or comes again with another status.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.definition import PATIENT, RECORD_TYPES, SESSION
from registry.definition.codes import WITHDRAWN
from registry.definition.row_checks import CONSENT_WITHDRAWN, PATIENT_ERASED

from .names import ALIAS, BARRED, staged

if TYPE_CHECKING:
    import duckdb


def key_hash_sql(key: str) -> str:
    """SQL for the hash under which an erased key is known again."""
    return f"sha256((select key_salt from registry_info) || {key})"


def note_barred(connection: duckdb.DuckDBPyConnection) -> None:
    """Make the temporary table of the barred keys of patients and sessions that the delivery names."""
    connection.execute(f"create temp table {BARRED} (record_type varchar, key varchar, rule varchar)")
    withdrawn = _withdrawn(connection)
    erased = connection.execute("select count(*) from erased_key").fetchall()[0][0]
    if not withdrawn and not erased:
        return
    for record in (PATIENT, SESSION):
        named = " union ".join(
            f"select {name} as key from {staged(other)}"
            for other in RECORD_TYPES
            for name in other.field_names
            if name == record.key[0]
        )
        connection.execute(
            f"insert into {BARRED} select ?, key, ? from ({named}) where key is not null and {key_hash_sql('key')} in "
            "(select key_hash from erased_key where record_type = ?)",
            [record.name, PATIENT_ERASED, record.name],
        )
    connection.execute(
        f"insert into {BARRED} select ?, unnest(?::varchar[]), ?", [PATIENT.name, withdrawn, CONSENT_WITHDRAWN]
    )
    _bar_sessions(connection)


def _withdrawn(connection: duckdb.DuckDBPyConnection) -> list[str]:
    """Keys of patients who have withdrawn, in this delivery or before it."""
    rows = connection.execute(
        f"""
        with sent as (select patient_key, status_at_last_contact from {staged(PATIENT)} where patient_key is not null),
        asked as (
            select patient_key from sent where status_at_last_contact = $withdrawn
            union
            select record_key from held_back_row join held_back using (held_back_id)
            where rule = $rule and record_type = '{PATIENT.name}' and closed_as is null
                and record_key not in (select patient_key from sent)
        )
        select distinct coalesce(kept_key, patient_key) from asked left join {ALIAS} on other_key = patient_key
        """,
        {"withdrawn": WITHDRAWN, "rule": CONSENT_WITHDRAWN},
    ).fetchall()
    return [key for (key,) in rows]


def _bar_sessions(connection: duckdb.DuckDBPyConnection) -> None:
    """The sessions of barred patients: of the registry, of this delivery, and of rows held back."""
    connection.execute(
        f"""
        insert into {BARRED}
        with owned as (
            select session_key, patient_key from session
            union all
            select session_key, coalesce(kept_key, patient_key)
            from {staged(SESSION)} left join {ALIAS} on other_key = patient_key
            union all
            select record_key, coalesce(kept_key, named)
            from (
                select record_key, json_extract_string(content, '$.patient_key') as named
                from held_back_row where record_type = '{SESSION.name}' and closed_as is null
            ) left join {ALIAS} on other_key = named
        )
        select distinct '{SESSION.name}', session_key, rule
        from owned join {BARRED} as patient on patient.record_type = '{PATIENT.name}' and patient.key = patient_key
        where session_key is not null
        """
    )
