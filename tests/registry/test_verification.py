"""Damage of every kind is found, and named by table and number, never by value. Each expectation is *by hand*."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest

from pipelines.intake import run_intake
from registry import open_registry
from registry.database_file import DATABASE_FILE
from registry.verification import verify
from tests.pipelines.intake.sound_rows import KEY_OF, TODAY, numbered, write_csv


@pytest.fixture(scope="module")
def sound_registry(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two families, one corrected; a session held back twice; nobody writes to it."""
    from registry import start_registry

    folder = tmp_path_factory.mktemp("verify")
    start_registry(folder / "registry", ["A", "B"], ["S1", "S2"], "Test practice")
    deliveries = [
        {record: [numbered(record, n) for n in (1, 2)] for record in KEY_OF},
        {"patient": [numbered("patient", 1, smoking="former")], "session": [numbered("session", 3, technique="x9")]},
        {"session": [numbered("session", 3, technique="x8")]},
    ]
    with open_registry(folder / "registry", read_only=False) as registry:
        for number, delivery in enumerate(deliveries):
            files = [write_csv(folder / f"{number}" / f"{name}.csv", rows) for name, rows in delivery.items()]
            run_intake(registry, files, today=TODAY, received_by="test")
    return folder / "registry"


@pytest.fixture
def damaged(sound_registry: Path, tmp_path: Path) -> Path:
    """A copy to do damage to."""
    import shutil

    return Path(shutil.copytree(sound_registry, tmp_path / "copy"))


def faults(folder: Path) -> set[tuple[str | None, str]]:
    with open_registry(folder) as registry:
        return {(fault.file, fault.what) for fault in verify(registry)}


def test_a_sound_registry_has_no_faults(sound_registry: Path) -> None:
    assert faults(sound_registry) == set()


SUMS = "the content is not what the intakes left"
LAST = ("intake", "the last event does not end with the records as they are.")

DAMAGE = {
    "a value changed": (
        "update session set grafts_total = 1999 where session_key like '%1'",
        {("session", SUMS), ("intake", "the records as of intake")},
    ),
    "a row gone": ("delete from visit where visit_key like '%1'", {("visit", SUMS)}),
    "a row twice": ("insert into patient from patient limit 1", {("patient", "1 keys are there more than once.")}),
    "an orphan": (
        "delete from session where session_key like '%2'",
        {
            ("visit", "1 rows refer to a session that is not there."),
            ("complication", "1 rows refer to a session that is not there."),
            ("graft_count", "1 rows refer to a session that is not there."),
        },
    ),
    "history that ends before it begins": (
        "update patient_history set replaced_by_intake_id = 1",
        {("patient_history", "1 former versions end before they begin.")},
    ),
    "history that overlaps": (
        "update patient_history set replaced_by_intake_id = 3",
        {("patient_history", "1 versions of a record overlap.")},
    ),
    "history gone": (
        "delete from patient_history",
        {("intake", "the records as of intake 1 are not those that it left.")},
    ),
    "a row of no intake": (
        "update visit set intake_id = 9",
        {("visit", "2 rows come from an intake that is not written down.")},
    ),
    "an event gone": (
        "delete from intake where intake_id = 2",
        {
            ("intake", "1 events are out of their place."),
            ("intake", "1 events do not begin where the one before ended."),
        },
    ),
    "another last snapshot": ("update intake set snapshot_after = '0123456789abcdef' where intake_id = 3", {LAST}),
    "a malformed hash": (
        "update intake_file set sha256 = 'x' where intake_id = 3",
        {("intake_file", "1 hashes of files are malformed.")},
    ),
    "counts that do not add up": (
        "update intake_file set rows_loaded = rows_loaded + 1 where intake_id = 3",
        {("intake_file", "the counts of 1 files do not add up.")},
    ),
    "an entry without reasons": (
        "delete from held_back where held_back_id = 1",
        {("held_back_row", "1 entries have no reason.")},
    ),
    "an entry closed in contradiction": (
        "update held_back_row set closed_as = null where held_back_id = 1",
        {("held_back_row", "1 entries are closed in contradiction.")},
    ),
    "content that is no JSON": (
        "update held_back_row set content = '{' where held_back_id = 2",
        {("held_back_row", "the content of 1 entries cannot be read.")},
    ),
    "a number that would be given again": (
        "update registry_info set next_held_back_id = 2",
        {("held_back_row", "1 entries have a number that would be given again.")},
    ),
    "a merged patient that is still there": (
        "insert into patient_merge select 1, 'k', min(patient_key), null from patient",
        {("patient", "1 patients whose key was merged away are still there.")},
    ),
}


@pytest.mark.parametrize("name", DAMAGE)
def test_damage_is_named(name: str, damaged: Path) -> None:
    statement, expected = DAMAGE[name]
    with duckdb.connect(str(damaged / DATABASE_FILE)) as connection:
        connection.execute(statement)
    found = faults(damaged)
    for table, words in expected:
        assert any(file == table and what.startswith(words) for file, what in found), found


def test_a_constraint_that_was_broken_past_the_table(damaged: Path) -> None:
    """The table is made anew without its constraints, as by a program that does not know them."""
    with duckdb.connect(str(damaged / DATABASE_FILE)) as connection:
        connection.execute("create table plain as from patient")
        connection.execute("drop table patient")
        connection.execute("alter table plain rename to patient")
        connection.execute("update patient set sex = 'other', site_code = null where patient_key like '%1'")
    found = faults(damaged)
    assert ("patient", "1 rows break the field's own constraint.") in found


def test_a_copy_left_by_an_interrupted_change_is_named(damaged: Path) -> None:
    left = f"{DATABASE_FILE}.unfinished-1"
    (damaged / left).touch()
    assert faults(damaged) == {(left, "an interrupted change left a copy of the database.")}


def test_the_copy_of_a_change_under_way_is_none_left_over(damaged: Path) -> None:
    with open_registry(damaged, read_only=False):
        assert faults(damaged) == set()
