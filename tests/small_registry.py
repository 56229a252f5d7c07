"""Small registries for tests: rows put straight into the tables, past the intake.

Keys may be short ("p1"): they are padded to the length of a pseudonym. Fields that a test does not care about get
plain values, so that a test states only what it is about.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import date, timedelta
from importlib.resources import files
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from registry._ddl import record_tables_ddl
from registry.definition import RECORD_TYPES, Kind, record_type
from registry.inserting import insert_values
from registry.settings import parse_settings
from registry.snapshot import computed_sums, content_sum, store_sums, stored_sums
from registry.store import Registry, open_registry

Row = Mapping[str, Any]

START = date(2010, 1, 1)
"""The day that `on` counts from."""
IN_MEMORY = Path()
"""What stands for the folder of a registry without a file."""

DEFAULTS: Mapping[str, Row] = {
    "patient": {"site_code": "A", "enrolled_on": START, "status_at_last_contact": "in_follow_up"},
    "session": {
        "site_code": "A",
        "surgeon_code": "S1",
        "session_number": 1,
        "performed_on": START,
        "technique": "strip",
        "grafts_total": 2000,
        "session_reason": "first_restoration",
    },
    "visit": {"contact_mode": "in_person", "visit_reason": "scheduled"},
    "complication": {"severity": "mild"},
    "graft_count": {
        "area_label": "A",
        "zone": "frontal",
        "area_cm2": 1.0,
        "placed_grafts": 40,
        "counted_on": START + timedelta(days=365),
        "method": "direct",
    },
    "site_period": {"site_code": "A", "quarter": "2020-Q1", "records_complete_to": date(2020, 1, 1)},
}


def on(day: int) -> date:
    """The date so many days after START."""
    return START + timedelta(days=day)


def key(short: str) -> str:
    """A pseudonym made of a short name."""
    return short.ljust(16, "_")


def insert_rows(registry: Registry, record_name: str, rows: Sequence[Row]) -> None:
    """Put rows into a table, with defaults for what they leave out.

    The snapshot is renewed, but for a registry in memory: tests fill hundreds of those and compare no snapshot.
    """
    _put(registry, record_name, rows)
    if rows and registry.folder != IN_MEMORY:
        renewed = content_sum(registry.connection, record_type(record_name), record_name)
        store_sums(registry.connection, {**stored_sums(registry.connection), record_name: renewed})


def _put(registry: Registry, record_name: str, rows: Sequence[Row]) -> None:
    record = record_type(record_name)
    pseudonyms = {field.name for field in record.fields if field.kind is Kind.PSEUDONYM}
    values: list[list[Any]] = []
    for number, row in enumerate(rows):
        full = {**DEFAULTS[record_name], **row}
        assert set(full) <= set(record.field_names), f"{record_name} has no field {set(full) - set(record.field_names)}"
        if record.key[0] in pseudonyms:
            full.setdefault(record.key[0], f"{record_name}{number}")
        cells = [(name, full.get(name)) for name in record.field_names]
        values.append([key(cell) if name in pseudonyms and cell is not None else cell for name, cell in cells] + [1])
    insert_values(registry.connection, record_name, values)


def load_frames(registry: Registry, frames: Mapping[str, pl.DataFrame]) -> None:
    """Replace all records by frames with the declared columns, by record type."""
    for record in RECORD_TYPES:
        incoming = frames[record.name]
        registry.connection.execute(f"delete from {record.name}")
        registry.connection.register("incoming", incoming)
        registry.connection.execute(f"insert into {record.name} by name select *, 1 as intake_id from incoming")
        registry.connection.unregister("incoming")


@contextmanager
def registry_in_memory(sites: Sequence[str] = ("A", "B"), surgeons: Sequence[str] = ("S1", "S2")) -> Iterator[Registry]:
    """An empty registry without a file, for tests that fill many."""
    content = {"practice": "Test practice", "sites": list(sites), "surgeons": list(surgeons)}
    with duckdb.connect() as connection:
        connection.execute((files("registry") / "_bookkeeping.sql").read_text(encoding="utf-8"))
        for statement in record_tables_ddl():
            connection.execute(statement)
        yield Registry(IN_MEMORY, parse_settings(content, "settings.toml"), connection)


@contextmanager
def small_registry(folder: Path, **records: Sequence[Row]) -> Iterator[Registry]:
    """An open registry holding these rows, by record type: `small_registry(folder, patient=[...], session=[...])`.

    folder: of a registry that exists already, such as the fixture `empty_registry`. Site A has records complete to
    2020-01-01 unless site_period is given.
    """
    records.setdefault("site_period", [{}])
    with open_registry(folder, read_only=False) as registry:
        for record in RECORD_TYPES:
            _put(registry, record.name, records.get(record.name, []))
        store_sums(registry.connection, computed_sums(registry.connection))
    with open_registry(folder) as registry:
        yield registry
