"""A change of a registry: on a copy, which takes the file's place whole or not at all."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import duckdb
import pytest

from registry import GraftledgerError, Registry, database_file, open_registry
from registry.database_file import DATABASE_FILE, cursor_of, leftovers, remove_leftovers


def change(registry: Registry, words: str) -> None:
    registry.connection.execute("update registry_info set created_by_version = ?", [words])


def found(registry: Registry) -> str:
    return str(registry.connection.execute("select created_by_version from registry_info").fetchall()[0][0])


def test_readers_see_the_state_before_until_a_change_ends(empty_registry: Path) -> None:
    """In the same process, where the engine shares files that are open under one name."""
    with open_registry(empty_registry) as early:
        before = found(early)
        with open_registry(empty_registry, read_only=False) as writing:
            change(writing, "new")
            with open_registry(empty_registry) as meanwhile:
                assert found(meanwhile) == before
        assert found(early) == before
        with open_registry(empty_registry) as late:
            assert found(late) == "new"
    assert leftovers(empty_registry) == []


def test_what_an_interrupted_change_left_is_removed_but_never_in_a_change(empty_registry: Path) -> None:
    left = empty_registry / f"{DATABASE_FILE}.unfinished-1"
    with open_registry(empty_registry, read_only=False) as writing:
        left.write_bytes(b"")
        remove_leftovers(empty_registry)
        assert left.exists()
        change(writing, "new")
    left.write_bytes(b"")
    assert leftovers(empty_registry) == [left]
    remove_leftovers(empty_registry)
    assert leftovers(empty_registry) == []
    with open_registry(empty_registry) as registry:
        assert found(registry) == "new"


def test_a_second_writer_is_turned_away_and_comes_in_later(empty_registry: Path) -> None:
    with open_registry(empty_registry, read_only=False) as first:
        with (
            pytest.raises(GraftledgerError, match="in use by another program"),
            open_registry(empty_registry, read_only=False),
        ):
            pass
        change(first, "first")
    with open_registry(empty_registry, read_only=False) as second:
        assert found(second) == "first"


@pytest.mark.parametrize("error", [KeyError("x"), GraftledgerError("x"), KeyboardInterrupt()])
def test_an_error_in_the_midst_leaves_everything_as_it_was(error: BaseException, empty_registry: Path) -> None:
    before = (empty_registry / DATABASE_FILE).read_bytes()

    def fail() -> None:
        with open_registry(empty_registry, read_only=False) as registry:
            change(registry, "new")
            raise error

    with pytest.raises(type(error)):
        fail()
    assert (empty_registry / DATABASE_FILE).read_bytes() == before
    assert leftovers(empty_registry) == []


def test_what_a_cursor_committed_counts(empty_registry: Path) -> None:
    with open_registry(empty_registry, read_only=False) as registry:
        other = cursor_of(registry.connection)
        other.execute("update registry_info set created_by_version = 'new'")
    with open_registry(empty_registry) as registry:
        assert found(registry) == "new"
    other.close()


def test_what_was_not_committed_does_not_count(empty_registry: Path) -> None:
    with open_registry(empty_registry) as registry:
        before = found(registry)
    with open_registry(empty_registry, read_only=False) as registry:
        registry.connection.execute("begin")
        change(registry, "new")
        registry.connection.execute("rollback")
    with open_registry(empty_registry) as registry:
        assert found(registry) == before


@pytest.mark.parametrize("step", ["flush", "replace"])
def test_a_full_disk_at_the_end(step: str, empty_registry: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*paths: Path) -> None:
        raise OSError(28, "No space left on device")

    before = (empty_registry / DATABASE_FILE).read_bytes()
    monkeypatch.setattr(*((database_file, "flush") if step == "flush" else (os, "replace")), full)
    with (
        pytest.raises(GraftledgerError, match="the disk is full"),
        open_registry(empty_registry, read_only=False) as registry,
    ):
        change(registry, "new")
    assert (empty_registry / DATABASE_FILE).read_bytes() == before
    assert leftovers(empty_registry) == []


def test_the_mode_that_a_practice_gave_its_database_stays(empty_registry: Path) -> None:
    (empty_registry / DATABASE_FILE).chmod(0o640)
    for afresh in (False, True):
        with open_registry(empty_registry, read_only=False, afresh=afresh) as registry:
            change(registry, f"{afresh}")
        assert (empty_registry / DATABASE_FILE).stat().st_mode & 0o777 == 0o640


LEAVE_A_LOG = """
import duckdb, os, sys
connection = duckdb.connect(sys.argv[1])
connection.execute("update registry_info set created_by_version = 'in the log'")
os._exit(0)
"""


@pytest.mark.parametrize("read_only", [True, False])
def test_a_log_that_an_earlier_version_left_counts(read_only: bool, empty_registry: Path) -> None:
    """It wrote in place: a killed change left what it had committed in a log beside the database."""
    path = empty_registry / DATABASE_FILE
    subprocess.run([sys.executable, "-c", LEAVE_A_LOG, str(path)], check=True)
    assert path.with_name(f"{path.name}.wal").exists()
    with open_registry(empty_registry, read_only=read_only) as registry:
        assert found(registry) == "in the log"
    assert path.with_name(f"{path.name}.wal").exists() is read_only
    with open_registry(empty_registry) as registry:
        assert found(registry) == "in the log"


def test_a_wrong_statement_in_a_change_keeps_its_own_error(empty_registry: Path) -> None:
    with pytest.raises(duckdb.CatalogException), open_registry(empty_registry, read_only=False) as registry:
        registry.connection.execute("from no_such_table")


def test_what_a_killed_change_had_spilled_is_removed(empty_registry: Path) -> None:
    spilled = empty_registry / f"{DATABASE_FILE}.unfinished-0.tmp"
    spilled.mkdir()
    (spilled / "duckdb_temp_storage").write_text("rows")
    assert leftovers(empty_registry) == [spilled]
    with open_registry(empty_registry, read_only=False) as registry:
        change(registry, "new")
    assert not spilled.exists()
    with open_registry(empty_registry) as registry:
        assert found(registry) == "new"
