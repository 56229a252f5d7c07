"""Mangled deliveries through the whole intake, Great Expectations and all: some ninety, each its own registry.

A delivery is a folder of patients, sessions and visits, each file in a format of its own and most of them mangled, for
a registry that holds two of the families already. Held, whatever was done to the files:

- Refused: the registry is as it was, to the row; nothing but a refusal in plain words is raised; no value is in it.
- Taken in: every row read has one fate and one only; the registry is sound (`verify`, which adds its snapshot up anew
  from the rows); it has grown by what the report says; families that nobody touched are in, value for value; and
  (for every fifth such delivery) taken in afresh from what it holds, its records give the same snapshot.

Expected values: by hand (the sound rows), and the registry before.
"""

from __future__ import annotations

import random
import shutil
from collections.abc import Sequence
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from pipelines.intake import IntakeReport, run_intake
from pipelines.intake.typed import text_sql
from registry import GraftledgerError, Registry, open_registry, quoted, record_type
from registry.store import start_registry
from registry.verification import verify
from tests.faults.mangling import (
    BYTE_STEPS,
    CELL_STEPS,
    GENTLE_STEPS,
    STYLE_STEPS,
    SUFFIXES,
    Step,
    Table,
    draw_steps,
    mangle,
    sound_table,
)
from tests.faults.states import contents
from tests.faults.words import repeated_values
from tests.pipelines.intake.sound_rows import TODAY, Row, numbered, write_csv

pytestmark = pytest.mark.slow

RECORDS = ("patient", "session", "visit")
FAMILIES = range(1, 7)
HELD = range(1, 3)
UNTOUCHED = range(5, 7)
"""Families whose rows stand in files that are not mangled."""
REPEATABLE = settings(phases=[Phase.generate], suppress_health_check=list(HealthCheck))
GENTLE = (*GENTLE_STEPS, *STYLE_STEPS)
ROUGH = (*CELL_STEPS, *BYTE_STEPS)
Mangled = tuple[str, str, list[Step]]


def take(folder: Path, paths: Sequence[Path]) -> IntakeReport:
    with open_registry(folder, read_only=False) as registry:
        return run_intake(registry, paths, today=TODAY, received_by="test")


def rows_of(registry: Registry, record: str) -> list[Row]:
    """The rows of a table as a file would hold them, without empty fields."""
    declared = record_type(record)
    values = ", ".join(text_sql(field, "own") for field in declared.fields)
    found = registry.connection.execute(f"select {values} from {quoted(record)} as own order by 1").fetchall()
    return [
        {name: value for name, value in zip(declared.field_names, row, strict=True) if value is not None}
        for row in found
    ]


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("base")
    start_registry(folder / "registry", ["A", "B"], ["S1", "S2"], "Test practice")
    for record in RECORDS:
        write_csv(folder / "sound" / f"{record}.csv", [numbered(record, number) for number in UNTOUCHED])
        write_csv(folder / "held" / f"{record}.csv", [numbered(record, number) for number in HELD])
    take(folder / "registry", [folder / "held"])
    return folder


def deliver(base: Path, folder: Path, mangled: Sequence[Mangled], *, afresh: bool) -> str:
    """What became of a delivery: refused, or taken in. `afresh`: whether to take the rows in again elsewhere."""
    shutil.rmtree(folder, ignore_errors=True)
    registry = shutil.copytree(base / "registry", folder / "registry")
    delivery = shutil.copytree(base / "sound", folder / "delivery" / "sound").parent
    tables: list[Table] = []
    for number, (record, suffix, plan) in enumerate(mangled):
        table = sound_table(record, [family for family in FAMILIES if family not in UNTOUCHED])
        tables.append(table)
        (delivery / f"mangled{number}{suffix}").write_bytes(mangle(table, plan, suffix))
    with open_registry(registry) as opened:
        before, held = contents(opened), {record: len(rows_of(opened, record)) for record in RECORDS}
    try:
        report = take(registry, [delivery, delivery / "sound"])
    except GraftledgerError as refusal:
        refused = refusal
    else:
        look_at_what_was_taken_in(registry, report, held)
        if afresh:
            assert snapshot_afresh(registry, folder) == report.snapshot_after
        return "taken in"
    rows = [row for table in tables for row in table.rows]
    headerless = any(name == "no header" for _, _, plan in mangled for name, _, _ in plan)
    assert (
        repeated_values(refused, rows, [] if headerless else [name for table in tables for name in table.header]) == []
    )
    with open_registry(registry) as opened:
        assert contents(opened) == before
    return "refused"


def look_at_what_was_taken_in(folder: Path, report: IntakeReport, held: dict[str, int]) -> None:
    total = report.total()
    assert total.read == total.loaded + total.corrected + total.unchanged + total.held_back + total.refused
    with open_registry(folder) as registry:
        assert verify(registry) == ()
        assert registry.snapshot == report.snapshot_after
        for record in RECORDS:
            rows = rows_of(registry, record)
            assert len(rows) == held[record] + report.total(record).loaded
            assert [row for row in (numbered(record, number) for number in UNTOUCHED) if row not in rows] == []


def snapshot_afresh(folder: Path, work: Path) -> str:
    """The snapshot of a new registry that took in what this one holds."""
    with open_registry(folder) as registry:
        paths = [
            write_csv(
                work / "again" / f"{record}.csv",
                [dict.fromkeys(record_type(record).field_names, "") | row for row in rows_of(registry, record)],
            )
            for record in RECORDS
        ]
    start_registry(work / "afresh", ["A", "B"], ["S1", "S2"], "Test practice")
    report = take(work / "afresh", paths)
    assert report.total().held_back == 0
    return report.snapshot_after


@pytest.mark.parametrize(
    ("part", "names", "count", "least"),
    [
        (1, GENTLE, 20, {"taken in": 2}),
        (2, GENTLE, 20, {"taken in": 2}),
        (3, ROUGH, 25, {"refused": 6}),
        (4, ROUGH, 25, {"refused": 6}),
    ],
)
def test_mangled_deliveries(
    part: int, names: Sequence[str], count: int, least: dict[str, int], base: Path, tmp_path: Path, full_faults: bool
) -> None:
    if not full_faults:
        count, least = count // 2, {outcome: number // 2 for outcome, number in least.items()}
    outcomes: list[str] = []

    @settings(REPEATABLE, max_examples=count)
    @given(start=st.integers(0, 2**64 - 1))
    def a_delivery(start: int) -> None:
        draw = random.Random(part * 2**64 + start)
        mangled = [
            (draw.choice(RECORDS), draw.choice(SUFFIXES), draw_steps(draw, names, 3)) for _ in range(draw.randint(1, 3))
        ]
        outcomes.append(deliver(base, tmp_path / "work", mangled, afresh=outcomes.count("taken in") % 5 == 0))

    a_delivery()
    assert len(outcomes) >= count
    for outcome, number in least.items():
        assert outcomes.count(outcome) >= number, outcomes
