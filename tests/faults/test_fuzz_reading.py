"""Mangled files up to the checks of Great Expectations: 20,000 of them, none the same.

What is covered, and how:

- Each file by itself, from its bytes: reading, its format's own checks, and the columns (`read_source`,
  `record_of_columns`).
- What is read of the files of one example, as one delivery: the gate against identifiers, by `incoming`, from a file
  that holds all these rows. The gate takes a twentieth of a second whatever the number of rows, so that it does not
  see each file by itself here; `test_fuzz_intake.py` takes some hundreds through the whole intake one by one.
- The same rows in the staging tables of the intake and typed there, whether or not the gate refuses them.

Held: nothing is raised but a refusal in plain words; no value of a file is in it; what is typed are the rows read.
Expected values: by hand (none of the values, every row once).
"""

from __future__ import annotations

import copy
import json
import random
from collections.abc import Iterator
from hashlib import sha256
from pathlib import Path

import polars as pl
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from pipelines.intake.aliases import note_aliases
from pipelines.intake.columns import record_of_columns
from pipelines.intake.incoming import CLAIMED, ROW_NUMBER, Incoming, Reading, incoming
from pipelines.intake.names import typed
from pipelines.intake.run import delivery_connection
from pipelines.intake.staging import stage
from pipelines.intake.typed import type_rows
from pipelines.sources import SourceSheet, read_source
from registry import RECORD_TYPES, GraftledgerError, Registry, open_registry
from registry.definition import RecordType
from tests.faults.mangling import BYTE_STEPS, CELL_STEPS, STYLE_STEPS, WHOLE_STEPS, draw_steps, mangle, sound_table
from tests.faults.words import repeated_values
from tests.pipelines.intake.sound_rows import TODAY

pytestmark = pytest.mark.slow

FILES_A_DELIVERY = 50
STEPS = (*CELL_STEPS, *STYLE_STEPS, *BYTE_STEPS, *WHOLE_STEPS)
SOUND_TABLES = {record.name: sound_table(record.name, range(1, 4)) for record in RECORD_TYPES}
REPEATABLE = settings(
    phases=[Phase.generate],  # to make fifty files at once simpler takes too long; the failing plan is shown
    suppress_health_check=list(HealthCheck),
)
Sheets = list[tuple[RecordType, SourceSheet]]


@pytest.fixture
def registry(empty_registry: Path) -> Iterator[Registry]:
    with open_registry(empty_registry, read_only=False) as opened:
        yield opened


def read(path: Path, record: str, draw: random.Random, seen: set[bytes]) -> Sheets | None:
    """The sheets of a mangled file; none where it is refused; None where its like was seen before."""
    table, plan = copy.deepcopy(SOUND_TABLES[record]), draw_steps(draw, STEPS, 3)
    content = mangle(table, plan, path.suffix)
    digest = sha256(content).digest()
    if digest in seen:
        return None
    seen.add(digest)
    path.write_bytes(content)
    try:
        found = []
        for sheet in read_source(path):
            assert set(sheet.frame.dtypes) <= {pl.String}
            assert sheet.frame.height == len(sheet.row_numbers)
            found.append((record_of_columns(sheet.header, sheet.label), sheet))
    except GraftledgerError as refusal:
        refused = refusal
    else:
        return found
    names = [] if "no header" in {name for name, _, _ in plan} else table.header  # else its names are somebody's values
    assert repeated_values(refused, table.rows, names) == [], plan
    return []


def through_the_gate(folder: Path, registry: Registry, sheets: Sheets) -> None:
    """All rows as one delivery, a file a record type."""
    by_record: dict[str, list[dict[str, str | None]]] = {}
    for record, sheet in sheets:
        by_record.setdefault(record.name, []).extend(sheet.frame.to_dicts())
    paths = []
    for name, rows in by_record.items():
        paths.append(folder / f"{name}.ndjson")
        paths[-1].write_text("".join(f"{json.dumps(row)}\n" for row in rows), encoding="utf-8")
    try:
        tables = list(incoming(paths, Reading(registry.settings, TODAY), lambda words: None))
    except GraftledgerError as refusal:
        refused = refusal
    else:
        assert sum(table.frame.height for table in tables) == sum(map(len, by_record.values()))
        return
    assert repeated_values(refused, [list(row.values()) for rows in by_record.values() for row in rows]) == []


def into_types(registry: Registry, sheets: Sheets) -> None:
    nothing = pl.Series(CLAIMED, [None], dtype=pl.List(pl.Int64))
    tables = [
        Incoming(
            record,
            sheet.file_name,
            sheet.sheet,
            sheet.sha256,
            sheet.frame.with_columns(
                sheet.row_numbers.alias(ROW_NUMBER), nothing.new_from_index(0, sheet.frame.height).alias(CLAIMED)
            ),
        )
        for record, sheet in sheets
    ]
    with delivery_connection(registry) as connection:
        stage(connection, tables)
        note_aliases(connection)
        for record in {record.name: record for record, _ in sheets}.values():
            type_rows(connection, record)
            rows = sum(sheet.frame.height for other, sheet in sheets if other is record)
            assert connection.execute(f"select count(*), count(distinct row_id) from {typed(record)}").fetchall() == [
                (rows, rows)
            ]


@pytest.mark.parametrize(
    ("suffix", "files"), [(".csv", 8_000), (".tsv", 2_000), (".ndjson", 4_000), (".parquet", 3_000), (".xlsx", 3_000)]
)
def test_mangled_files_are_read_or_refused(
    suffix: str, files: int, tmp_path: Path, registry: Registry, full_faults: bool
) -> None:
    """Hypothesis draws the record type and where a chain of random numbers begins: drawn by itself, four in five files
    were the same as another."""
    files = files if full_faults else files // 5
    seen: set[bytes] = set()
    outcomes = {"read": 0, "refused": 0}

    @settings(REPEATABLE, max_examples=files * 3 // 2 // FILES_A_DELIVERY)
    @given(record=st.sampled_from(list(SOUND_TABLES)), start=st.integers(0, 2**64 - 1))
    def deliver(record: str, start: int) -> None:
        if len(seen) >= files:
            return
        draw = random.Random(start)
        found = [read(tmp_path / f"mangled{suffix}", record, draw, seen) for _ in range(FILES_A_DELIVERY)]
        new = [sheets for sheets in found if sheets is not None]
        outcomes["read"] += sum(bool(sheets) for sheets in new)
        outcomes["refused"] += sum(not sheets for sheets in new)
        if rows := [pair for sheets in new for pair in sheets]:
            through_the_gate(tmp_path, registry, rows)
            into_types(registry, rows)

    deliver()
    assert len(seen) >= files
    assert min(outcomes.values()) >= files // 10
