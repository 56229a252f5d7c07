"""A bit that flips on the disk, a file that is still coming in, a clock that jumps."""

from __future__ import annotations

import random
from datetime import UTC, datetime, tzinfo
from pathlib import Path

import pytest

from pipelines.intake import run_intake
from registry import GraftledgerError, changes, open_registry
from registry.database_file import DATABASE_FILE
from registry.verification import verify
from tests.faults.states import contents
from tests.pipelines.intake.sound_rows import TODAY, numbered, write_csv

pytestmark = pytest.mark.slow
FAMILIES = range(1, 41)


def take(folder: Path, *paths: Path) -> int:
    with open_registry(folder, read_only=False) as registry:
        report = run_intake(registry, paths, today=TODAY, received_by="test")
    return report.intake_id


@pytest.fixture
def filled(empty_registry: Path, tmp_path: Path) -> Path:
    rows = [numbered("patient", number) for number in FAMILIES]
    take(empty_registry, write_csv(tmp_path / "first" / "patient.csv", rows))
    return empty_registry


def test_a_flipped_bit_is_told_of_or_hit_what_holds_nothing(filled: Path, full_faults: bool) -> None:
    """Bits all over the file, and as many in its first blocks, where it says what stands where."""
    path = filled / DATABASE_FILE
    content = path.read_bytes()
    with open_registry(filled) as registry:
        before = contents(registry)
    draw = random.Random(1)
    told, said = 0, []
    for number in range(400 if full_faults else 40):
        damaged = bytearray(content)
        damaged[draw.randrange(len(content) if number % 2 else 300_000)] ^= 1 << draw.randrange(8)
        path.write_bytes(damaged)
        try:
            with open_registry(filled) as registry:
                faults = verify(registry)
                if not faults:
                    assert contents(registry) == before
                told += bool(faults)
        except GraftledgerError as refusal:
            said.append(str(refusal))
    assert [words for words in said if "damaged" not in words and "newer version" not in words] == []
    assert told + len(said) >= 10


@pytest.mark.parametrize("suffix", [".csv", ".parquet", ".xlsx", ".ndjson"])
def test_a_file_that_is_still_coming_in(suffix: str, filled: Path, tmp_path: Path, full_faults: bool) -> None:
    """Cut anywhere, it is refused, or each row that comes in is one of the whole file."""
    import polars as pl

    rows = [numbered("patient", number) for number in range(101, 121)]
    frame = pl.DataFrame(rows)
    whole = tmp_path / f"patient{suffix}"
    {
        ".csv": frame.write_csv,
        ".parquet": frame.write_parquet,
        ".xlsx": frame.write_excel,
        ".ndjson": frame.write_ndjson,
    }[suffix](whole)
    content = whole.read_bytes()
    last_row = 1 + content.rstrip().rfind(b"\n") if suffix in (".csv", ".ndjson") else 1
    draw = random.Random(suffix)
    refused = 0
    for number in range(20 if full_faults else 3):
        cut = tmp_path / "cut" / whole.name
        cut.parent.mkdir(exist_ok=True)
        cut.write_bytes(content[: draw.randrange(last_row if number % 2 else 1, len(content) - 1)])
        try:
            take(filled, cut)
        except GraftledgerError:
            refused += 1
    came_in = patients(filled)
    take(filled, whole)
    assert came_in - patients(filled) == set()
    assert refused or suffix in (".csv", ".ndjson")
    with open_registry(filled) as registry:
        assert verify(registry) == ()


def patients(folder: Path) -> set[str]:
    with open_registry(folder) as registry:
        found = registry.connection.execute("select * exclude intake_id from patient").fetchall()
    return {str(row) for row in found}


def test_a_clock_that_jumps(filled: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Events keep their order, whatever the clock of the machine says of them."""
    years = iter((1999, 2050, 2026))

    class Clock(datetime):
        @classmethod
        def now(cls, tz: tzinfo | None = None) -> datetime:
            return datetime(next(years), 1, 1, tzinfo=UTC)

    monkeypatch.setattr(changes, "datetime", Clock)
    snapshots = []
    for number, smoking in enumerate(("former", "never", "current")):
        path = write_csv(tmp_path / str(number) / "patient.csv", [numbered("patient", 1, smoking=smoking)])
        event = take(filled, path)
        assert event == number + 2
        with open_registry(filled) as registry:
            assert verify(registry) == ()
            snapshots.append(registry.snapshot)
    for event, snapshot in enumerate(snapshots, 2):
        with open_registry(filled, as_of_intake=event) as registry:
            assert registry.snapshot == snapshot
    assert len(set(snapshots)) == 3
