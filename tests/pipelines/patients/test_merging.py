"""Two keys of one patient: merged, followed by what comes later, and parted again. Every expectation is *by hand*."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest

from pipelines.intake import IntakeReport
from pipelines.patients import differing_fields, merge_patients, undo_merge
from registry import GraftledgerError, open_registry
from registry.store import start_registry
from registry.verification import verify
from tests.pipelines.intake.sound_rows import TODAY, Row, numbered
from tests.pipelines.patients.conftest import Deliver, deliver_to

LATER = {"performed_on": "2022-05-05", "learned_on": ""}


def patient(number: int, **changes: str) -> Row:
    loose = {"first_surgery_precision": "year", "died_on": "", "status_at_last_contact": "in_follow_up"}
    return numbered("patient", number, **loose, **changes)


def key(number: int) -> str:
    return numbered("patient", number)["patient_key"]


def merge(folder: Path, kept: int, other: int, undo: bool = False) -> IntakeReport:
    with open_registry(folder, read_only=False) as registry:
        act = undo_merge if undo else merge_patients
        return act(registry, key(kept), key(other), today=TODAY, received_by="test")


def owners(folder: Path) -> dict[int, int]:
    """Number of the patient of each session, by the number of the session."""
    with open_registry(folder) as registry:
        assert verify(registry) == ()
        rows: list[tuple[Any, Any]] = registry.connection.execute(
            "select right(session_key, 2)::integer, right(patient_key, 2)::integer from session order by 1"
        ).fetchall()
    return dict(rows)


@pytest.fixture(scope="module")
def two_keys_made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Patients 1 and 2 with a session each, the second later and numbered 2; a visit of each."""
    place = tmp_path_factory.mktemp("two_keys")
    start_registry(place / "registry", ["A", "B"], ["S1", "S2"], "Test practice")
    deliver_to(place / "registry", place)(
        patient=[patient(1), patient(2, smoking="former")],
        session=[numbered("session", 1), numbered("session", 2, **LATER, session_number="2")],
        visit=[numbered("visit", 1), numbered("visit", 2, visited_on="2023-05-05", sutures_out_on="")],
    )
    return place / "registry"


@pytest.fixture
def two_keys(two_keys_made: Path, empty_registry: Path) -> Path:
    """A copy of it that a test may change and deliver to."""
    return shutil.copytree(two_keys_made, empty_registry, dirs_exist_ok=True)


def test_sessions_go_to_the_kept_key_and_back(two_keys: Path) -> None:
    with open_registry(two_keys) as registry:
        before = registry.snapshot
        assert differing_fields(registry, key(1), key(2)) == ("smoking",)
    report = merge(two_keys, 1, 2)
    assert report.kind == "merge"
    assert owners(two_keys) == {1: 1, 2: 1}
    with open_registry(two_keys) as registry:
        assert registry.connection.execute("select patient_key, smoking from patient").fetchall() == [(key(1), "never")]
        assert registry.connection.execute("select count(*) from patient_history").fetchall() == [(1,)]
    undone = merge(two_keys, 1, 2, undo=True)
    assert undone.snapshot_after == before
    assert owners(two_keys) == {1: 1, 2: 2}
    with open_registry(two_keys, as_of_intake=2) as registry:
        assert registry.snapshot == report.snapshot_after
    with pytest.raises(GraftledgerError, match="not merged, in this order"):
        merge(two_keys, 1, 2, undo=True)


def test_what_comes_later_follows_and_is_given_back(two_keys: Path, deliver: Deliver) -> None:
    """A session sent under the other key goes to the kept one; the same patient row changes nothing, another waits."""
    merge(two_keys, 1, 2)
    late = numbered("session", 3, performed_on="2024-05-05", learned_on="", session_number="3", patient_key=key(2))
    report = deliver(
        patient=[patient(2, smoking="former")], session=[late, numbered("session", 2, **LATER, session_number="2")]
    )
    assert [(file.loaded, file.unchanged, file.held_back) for file in report.files] == [(0, 1, 0), (1, 1, 0)]
    assert owners(two_keys) == {1: 1, 2: 1, 3: 1}
    changed = deliver(patient=[patient(2, smoking="current")])
    assert [rule.rule for rule in changed.rules] == ["key_was_merged"]
    merge(two_keys, 1, 2, undo=True)
    assert owners(two_keys) == {1: 1, 2: 2, 3: 2}


def test_a_row_that_waits_for_the_other_key_comes_in_under_the_kept_one(deliver: Deliver, empty_registry: Path) -> None:
    deliver(patient=[patient(1), patient(2)], session=[numbered("session", 1)])
    merge(empty_registry, 1, 2)
    report = deliver(session=[numbered("session", 2, **LATER, session_number="2")])
    assert report.total().loaded == 1
    assert owners(empty_registry) == {1: 1, 2: 1}


def test_sessions_that_contradict_each_other_refuse_the_merge(deliver: Deliver, empty_registry: Path) -> None:
    """Both have a session 1. Renumbered by a correction, they can be merged."""
    deliver(patient=[patient(1), patient(2)], session=[numbered("session", 1), numbered("session", 2, **LATER)])
    with open_registry(empty_registry) as registry:
        before = registry.snapshot
    with pytest.raises(GraftledgerError, match=r"(?s)session_number_once.*Nothing was changed"):
        merge(empty_registry, 1, 2)
    with open_registry(empty_registry) as registry:
        assert registry.snapshot == before
        assert registry.connection.execute("select count(*) from intake").fetchall() == [(1,)]
    deliver(session=[numbered("session", 2, **LATER, session_number="2")])
    merge(empty_registry, 1, 2)
    assert owners(empty_registry) == {1: 1, 2: 1}


def test_keys_merged_one_after_the_other_are_parted_in_turn(two_keys: Path, deliver: Deliver) -> None:
    """2 goes to 1, then 1 to 3: session 2 came under key 2, whatever it has been called since."""
    third = numbered("session", 3, performed_on="2024-05-05", learned_on="", session_number="3")
    deliver(patient=[patient(3)], session=[third])
    merge(two_keys, 1, 2)
    merge(two_keys, 3, 1)
    assert owners(two_keys) == {1: 3, 2: 3, 3: 3}
    deliver(
        session=[
            numbered("session", 4, **LATER, session_number="4", patient_key=key(2)) | {"performed_on": "2025-05-05"}
        ]
    )
    assert owners(two_keys)[4] == 3
    with pytest.raises(GraftledgerError, match="was itself merged into another"):
        merge(two_keys, 1, 2, undo=True)
    merge(two_keys, 3, 1, undo=True)
    assert owners(two_keys) == {1: 1, 2: 1, 3: 3, 4: 1}
    merge(two_keys, 1, 2, undo=True)
    assert owners(two_keys) == {1: 1, 2: 2, 3: 3, 4: 2}


@pytest.mark.parametrize(
    ("kept", "other", "words"),
    [(1, 1, "are the same"), (1, 9, "other key is not in"), (9, 1, "kept key is not in")],
)
def test_keys_that_cannot_be_merged(two_keys: Path, kept: int, other: int, words: str) -> None:
    with pytest.raises(GraftledgerError, match=words):
        merge(two_keys, kept, other)
