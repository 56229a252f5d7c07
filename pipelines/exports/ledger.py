"""What left: who exported what, when, at which level, from which snapshot, and the hash of every file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from registry.inserting import insert_values
from registry.reports import shown_intake_id
from registry.store import Registry, has_table
from registry.version import program_version

from ..cohorts import StoredCohort
from ..intake.barring import key_hash_sql
from .columns import Level

if TYPE_CHECKING:
    import duckdb

_LISTED = "export_id, exported_at, exported_by, cohort, cohort_version, level, formats, seeded, patients, snapshot"


@dataclass(frozen=True)
class Export:
    """One line of the ledger. seeded: whether its keys can be made again. files: SHA-256 by name."""

    export_id: int
    exported_at: datetime
    exported_by: str
    cohort: str
    cohort_version: int
    level: str
    formats: tuple[str, ...]
    seeded: bool
    patients: int
    snapshot: str
    files: Mapping[str, str]


def note_export(
    registry: Registry,
    cohort: StoredCohort,
    *,
    level: Level,
    formats: Sequence[str],
    seeded: bool,
    exported_by: str,
    files: Mapping[str, str],
    patients: str,
) -> int:
    """Write an export down; the caller holds the transaction. Returns its number.

    patients: SQL for the registry's own keys of those in it, as `patient_key`.
    """
    connection = registry.connection
    export_id = int(connection.execute("select coalesce(max(export_id), 0) + 1 from export_ledger").fetchall()[0][0])
    connection.execute(
        f"insert into exported_patient select ?, left({key_hash_sql('patient_key')}, 32) as hashed "
        f"from ({patients}) order by hashed",
        [export_id],
    )
    count = connection.execute("select count(*) from exported_patient where export_id = ?", [export_id]).fetchall()[0][
        0
    ]
    connection.execute(
        "insert into export_ledger values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [
            export_id,
            datetime.now(UTC).replace(tzinfo=None, microsecond=0),
            exported_by,
            cohort.name,
            cohort.version,
            level.value,
            list(formats),
            seeded,
            count,
            shown_intake_id(registry),
            registry.snapshot,
            program_version(),
        ],
    )
    insert_values(connection, "export_file", [(export_id, name, sha256) for name, sha256 in files.items()])
    return export_id


def list_exports(registry: Registry) -> tuple[Export, ...]:
    """Every export, the first first."""
    connection = registry.connection
    if not has_table(connection, "export_ledger"):
        return ()
    files: dict[int, dict[str, str]] = {}
    for export_id, name, sha256 in connection.execute(
        "select export_id, file_name, sha256 from export_file order by all"
    ).fetchall():
        files.setdefault(export_id, {})[name] = sha256
    found = connection.execute(f"select {_LISTED} from export_ledger order by export_id").fetchall()
    return tuple(
        Export(number, at, by, cohort, version, level, tuple(formats), seeded, patients, snapshot, files[number])
        for number, at, by, cohort, version, level, formats, seeded, patients, snapshot in found
    )


def exports_with(connection: duckdb.DuckDBPyConnection, patient_keys: str) -> tuple[int, ...]:
    """Numbers of the exports that held a patient. patient_keys: relation of the person's keys, as `key`."""
    if not has_table(connection, "exported_patient"):
        return ()
    found = connection.execute(
        f"select distinct export_id from exported_patient where key_hash in "
        f"(select left({key_hash_sql('key')}, 32) from {patient_keys}) order by 1"
    ).fetchall()
    return tuple(number for (number,) in found)
