"""A kill at any moment leaves a registry as it was before or as it is after, never between.

Real processes, killed without warning (SIGKILL) at moments drawn from a fixed seed and spread evenly over the measured
length of what they do. Expected values: the registry before, and the registry after an act that nobody disturbed.
"""

from __future__ import annotations

import math
import os
import random
import shutil
import subprocess
import sys
import tarfile
from dataclasses import dataclass
from pathlib import Path

import pytest

from pipelines.cohorts import list_cohorts
from pipelines.exports import list_exports
from pipelines.exports.package import file_hash
from pipelines.exports.run import CHECKSUMS
from pipelines.intake import run_intake
from registry import open_registry
from registry.database_file import DATABASE_FILE, leftovers
from registry.verification import verify
from tests.faults.forked_acts import CLOSING, ENDED, exported_from
from tests.faults.programs import Killer
from tests.faults.states import State, contents, state_of
from tests.pipelines.intake.sound_rows import SOUND, TODAY, numbered, write_csv

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not hasattr(os, "fork"), reason="the system cannot fork a process"),
]

FAMILIES = range(1, 61)
PATIENT = numbered("patient", 1)["patient_key"]


def spread(count: int, length: float, seed: int) -> list[float]:
    """That many moments, one drawn from each of as many equal parts of the length."""
    draw = random.Random(seed)
    return [(part + draw.random()) * length / count for part in range(count)]


@dataclass(frozen=True)
class Trial:
    """A registry in which an act was killed; `ended` where the act had ended already."""

    folder: Path
    ended: bool


def points(full_faults: bool, **counts: int) -> dict[str, int]:
    """How many moments since each step: as given, or about half as many in a change's own tests."""
    return {step: count if full_faults else max(2, count // 2) for step, count in counts.items()}


def kill_at(
    killer: Killer, act: str, registry: Path, what: str, points: dict[str, int], folder: Path
) -> tuple[list[Trial], State, State]:
    """Registries in which the act was killed, `points` many by the step since which it ran; the states around it."""
    before = state_of(registry)
    trials = []
    for stretch, (since, count) in enumerate(points.items()):
        length = math.inf  # the shortest of three, so that hardly a trial has ended before its moment comes
        for run in range(3):
            whole = shutil.copytree(registry, folder / f"whole_{stretch}_{run}")
            length = min(length, killer.order(act, whole, what, since, None)["seconds"])
        after = state_of(whole)
        assert after != before
        for number, moment in enumerate(spread(count, length, stretch)):
            copy = shutil.copytree(registry, folder / f"killed_{stretch}_{number}")
            trials.append(Trial(copy, killer.order(act, copy, what, since, moment)["ended"]))
    return trials, before, after


def deliver(folder: Path, path: Path) -> None:
    with open_registry(folder, read_only=False) as registry:
        run_intake(registry, [path], today=TODAY, received_by="test")


@pytest.fixture
def delivery(tmp_path: Path) -> Path:
    """Patients, one of them held back, and what a site declares: two tables of records in one transaction."""
    folder = tmp_path / "delivery"
    patients = [numbered("patient", number) for number in FAMILIES]
    patients[-1]["sex"] = "x9"
    write_csv(folder / "patient.csv", patients)
    write_csv(folder / "site_period.csv", [SOUND["site_period"]])
    return folder


@pytest.fixture
def filled(empty_registry: Path, delivery: Path) -> Path:
    deliver(empty_registry, delivery)
    return empty_registry


def test_an_intake_killed(
    killer: Killer, empty_registry: Path, delivery: Path, tmp_path: Path, full_faults: bool
) -> None:
    moments = points(full_faults, start=20, Loading=40, closing=36, ended=4)
    trials, before, after = kill_at(killer, "intake", empty_registry, str(delivery), moments, tmp_path)
    left = [leftovers(trial.folder) for trial in trials]
    states = [state_of(trial.folder) for trial in trials]
    assert len(states) == sum(moments.values()) >= 50
    assert states.count(before) + states.count(after) == len(states)
    assert states.count(before) >= 20
    assert states.count(after) >= 2
    assert sum(not trial.ended for trial in trials) >= 30
    assert sum(bool(copies) for copies in left) >= 20
    assert not any(leftovers(trial.folder) for trial in trials)


def test_a_correction_killed(killer: Killer, filled: Path, tmp_path: Path, full_faults: bool) -> None:
    corrected = [numbered("patient", number, smoking="former") for number in FAMILIES]
    path = write_csv(tmp_path / "corrected" / "patient.csv", corrected)
    moments = points(full_faults, start=6, Loading=10, closing=10, ended=2)
    trials, before, after = kill_at(killer, "intake", filled, str(path), moments, tmp_path)
    states = [state_of(trial.folder) for trial in trials]
    assert states.count(before) + states.count(after) == len(states)
    assert states.count(before) >= 3
    assert states.count(after) >= 1


def test_an_erasure_killed(killer: Killer, filled: Path, tmp_path: Path, full_faults: bool) -> None:
    """Where a copy is left, which may hold the patient, the erasure has not happened either."""
    trials, before, after = kill_at(killer, "erase", filled, PATIENT, points(full_faults, start=30), tmp_path)
    for trial in trials:
        left = leftovers(trial.folder)
        state = state_of(trial.folder)
        assert state in (before, after)
        assert state == before or not left


@pytest.fixture
def earlier(tmp_path: Path) -> Path:
    """A registry of schema version 2 that holds a cohort: tests/reference/registries."""
    with tarfile.open(Path(__file__).parents[1] / "reference" / "registries" / "version_2.tar.gz") as archive:
        archive.extractall(tmp_path / "earlier", filter="data")
    return next(path.parent for path in (tmp_path / "earlier").rglob(DATABASE_FILE))


def read_state(folder: Path) -> State:
    with open_registry(folder) as registry:
        assert [fault.file for fault in verify(registry)] == [path.name for path in leftovers(folder)]
        return contents(registry)


def test_a_migration_killed(killer: Killer, earlier: Path, tmp_path: Path, full_faults: bool) -> None:
    before = read_state(earlier)
    length = 0.0
    for run in range(3):
        whole = shutil.copytree(earlier, tmp_path / f"whole_{run}")
        length = killer.order("migrate", whole, "", "start", None)["seconds"]
    after = read_state(whole)
    assert set(after) > set(before)
    seen = []
    for number, moment in enumerate(spread(20 if full_faults else 6, length, 0)):
        copy = shutil.copytree(earlier, tmp_path / f"killed_{number}")
        killer.order("migrate", copy, "", "start", moment)
        seen.append(read_state(copy))
    assert [state for state in seen if state not in (before, after)] == []
    assert before in seen


def test_an_export_killed(killer: Killer, earlier: Path, tmp_path: Path, full_faults: bool) -> None:
    """Whatever stands under the name that was given is whole and in the ledger."""
    with open_registry(earlier, read_only=False) as registry:
        (cohort,) = {stored.name for stored in list_cohorts(registry)}
    length = 0.0
    for run in range(2):
        whole = shutil.copytree(earlier, tmp_path / f"whole_{run}")
        length = killer.order("export", whole, cohort, "start", None)["seconds"]
        assert exported_from(whole).exists()
    moments = spread(22 if full_faults else 6, length, 0)
    for number, (since, moment) in enumerate([*(("start", moment) for moment in moments), (ENDED, 0.0)]):
        copy = shutil.copytree(earlier, tmp_path / f"killed_{number}")
        killer.order("export", copy, cohort, since, moment)
        out = exported_from(copy)
        state_of(copy)
        with open_registry(copy) as registry:
            noted = list_exports(registry)
        if out.exists():
            sums = (out / CHECKSUMS).read_text(encoding="utf-8").splitlines()
            assert {(name, file_hash(out / name)) for _, _, name in (line.partition("  ") for line in sums)} == set(
                noted[-1].files.items()
            )
            assert noted[-1].files
    assert out.exists()


ERASE_AND_STOP = """
import os, sys
from pathlib import Path
from pipelines.patients import erase_patient

replace = os.replace
os.replace = lambda *paths: (replace(*paths), os._exit(9))
erase_patient(Path(sys.argv[1]), sys.argv[2], received_by="test")
"""


def test_an_intake_killed_before_its_log_is_merged_and_then_an_erasure_killed(
    killer: Killer, filled: Path, tmp_path: Path
) -> None:
    """The log that the intake leaves beside the database must not be laid over the one that the erasure wrote."""
    path = write_csv(tmp_path / "more" / "patient.csv", [numbered("patient", 100)])
    killer.order("intake in place", filled, str(path), CLOSING, 0)
    log = filled / f"{DATABASE_FILE}.wal"
    assert log.exists()
    done = subprocess.run([sys.executable, "-c", ERASE_AND_STOP, str(filled), PATIENT], cwd=Path(__file__).parents[2])
    assert done.returncode == 9
    assert not log.exists()
    assert leftovers(filled) == []
    assert PATIENT.encode() not in (filled / DATABASE_FILE).read_bytes()
    assert state_of(filled)["patient"][0] == len(FAMILIES) - 1
