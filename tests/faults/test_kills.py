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
from dataclasses import dataclass
from pathlib import Path

import pytest

from pipelines.intake import run_intake
from registry import open_registry
from registry.database_file import DATABASE_FILE, leftovers
from tests.faults.forked_acts import CLOSING, ENDED
from tests.faults.programs import Killer
from tests.faults.states import State, state_of
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


def test_an_intake_killed_at_50_moments(killer: Killer, empty_registry: Path, delivery: Path, tmp_path: Path) -> None:
    points = {"start": 12, "Loading": 18, CLOSING: 17, ENDED: 3}
    trials, before, after = kill_at(killer, "intake", empty_registry, str(delivery), points, tmp_path)
    left = [leftovers(trial.folder) for trial in trials]
    states = [state_of(trial.folder) for trial in trials]
    assert len(states) == 50
    assert states.count(before) + states.count(after) == 50
    assert states.count(before) >= 20
    assert states.count(after) >= 3
    assert sum(not trial.ended for trial in trials) >= 30
    assert sum(bool(copies) for copies in left) >= 20
    assert not any(leftovers(trial.folder) for trial in trials)


def test_a_correction_killed(killer: Killer, filled: Path, tmp_path: Path) -> None:
    corrected = [numbered("patient", number, smoking="former") for number in FAMILIES]
    path = write_csv(tmp_path / "corrected" / "patient.csv", corrected)
    points = {"start": 3, "Loading": 3, CLOSING: 5, ENDED: 1}
    trials, before, after = kill_at(killer, "intake", filled, str(path), points, tmp_path)
    states = [state_of(trial.folder) for trial in trials]
    assert states.count(before) + states.count(after) == 12
    assert states.count(before) >= 3
    assert states.count(after) >= 1


def test_an_erasure_killed(killer: Killer, filled: Path, tmp_path: Path) -> None:
    """Where a copy is left, which may hold the patient, the erasure has not happened either."""
    trials, before, after = kill_at(killer, "erase", filled, PATIENT, {"start": 20}, tmp_path)
    for trial in trials:
        left = leftovers(trial.folder)
        state = state_of(trial.folder)
        assert state in (before, after)
        assert state == before or not left


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
