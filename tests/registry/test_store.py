"""A registry folder: made whole or not at all, opened only where it is sound."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import duckdb
import pytest

from registry.database_errors import database_fault
from registry.errors import GraftledgerError
from registry.store import DATABASE_FILE, SCHEMA_VERSION, open_registry, start_registry


def test_a_new_registry_is_empty_and_owned_by_its_maker(empty_registry: Path) -> None:
    with open_registry(empty_registry) as registry:
        assert registry.settings.sites == ("A", "B")
        assert registry.data_date is None
        assert len(registry.snapshot) == 16
    assert (empty_registry / DATABASE_FILE).stat().st_mode & 0o077 == 0
    assert sorted(path.name for path in empty_registry.iterdir()) == [DATABASE_FILE, "settings.toml"]


def test_a_registry_is_never_overwritten(empty_registry: Path) -> None:
    before = (empty_registry / DATABASE_FILE).read_bytes()
    with pytest.raises(GraftledgerError, match="already holds"):
        start_registry(empty_registry, ["A"], ["S1"], "Another")
    assert (empty_registry / DATABASE_FILE).read_bytes() == before


@pytest.mark.parametrize("code", ["1A", "a b", "", "=cmd", "elsewhere", "x" * 30])
def test_malformed_codes_leave_nothing_behind(tmp_path: Path, code: str) -> None:
    with pytest.raises(GraftledgerError, match="surgeons"):
        start_registry(tmp_path / "new", ["A"], [code], "Practice")
    assert not (tmp_path / "new").exists()


def test_a_practice_name_with_quotes_survives(tmp_path: Path) -> None:
    name = 'The "North" \\ practice'
    start_registry(tmp_path / "new", ["A"], ["S1"], name)
    with open_registry(tmp_path / "new") as registry:
        assert registry.settings.practice == name


def test_no_registry(tmp_path: Path) -> None:
    with pytest.raises(GraftledgerError, match="graftledger start"), open_registry(tmp_path):
        pass


def test_a_file_that_is_no_database(empty_registry: Path) -> None:
    (empty_registry / DATABASE_FILE).write_bytes(b"this is no database" * 500)
    with pytest.raises(GraftledgerError, match="not a DuckDB database"), open_registry(empty_registry):
        pass


def test_another_database(empty_registry: Path) -> None:
    (empty_registry / DATABASE_FILE).unlink()
    with duckdb.connect(str(empty_registry / DATABASE_FILE)) as connection:
        connection.execute("create table t (x integer)")
    with pytest.raises(GraftledgerError, match="not a graftledger registry"), open_registry(empty_registry):
        pass


def test_a_newer_schema_version(empty_registry: Path) -> None:
    with duckdb.connect(str(empty_registry / DATABASE_FILE)) as connection:
        connection.execute("update registry_info set schema_version = ?", [SCHEMA_VERSION + 1])
    with pytest.raises(GraftledgerError, match="Update graftledger"), open_registry(empty_registry):
        pass


def test_a_registry_in_use_by_another_program(empty_registry: Path) -> None:
    path = empty_registry / DATABASE_FILE
    code = f"import duckdb; c = duckdb.connect({str(path)!r}); print('open', flush=True); input()"
    with subprocess.Popen(
        [sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as other:
        assert other.stdout is not None
        assert other.stdin is not None
        assert other.stdout.readline() == "open\n"
        try:
            with pytest.raises(GraftledgerError, match="in use by another program"), open_registry(empty_registry):
                pass
        finally:
            other.stdin.write("\n")
            other.stdin.flush()


def test_reading_cannot_write(empty_registry: Path) -> None:
    with open_registry(empty_registry) as registry, pytest.raises(duckdb.Error):
        registry.connection.execute("delete from registry_info")


def test_damage_in_a_block_is_not_taken_for_a_lock(empty_registry: Path) -> None:
    path = empty_registry / DATABASE_FILE
    content = path.read_bytes()
    path.write_bytes(content[:12_288] + bytes(len(content) - 12_288))
    with pytest.raises(GraftledgerError, match="or it is damaged"), open_registry(empty_registry):
        pass


def test_a_database_that_is_gone_while_its_settings_are_there(empty_registry: Path) -> None:
    (empty_registry / DATABASE_FILE).unlink()
    with pytest.raises(GraftledgerError, match="the database is missing"), open_registry(empty_registry):
        pass


def test_a_wrong_statement_keeps_its_own_error(empty_registry: Path) -> None:
    """For those who ask the registry questions in Python."""
    with open_registry(empty_registry) as registry, pytest.raises(duckdb.CatalogException):
        registry.connection.execute("from no_such_table")


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (duckdb.IOException('Could not set lock on file "x": Conflicting lock is held'), "in use by another program"),
        (duckdb.TransactionException('Failed to commit: Could not write file "x": No space left on device'), "full"),
        (duckdb.TransactionException('Failed to commit: Cannot open file "x": Permission denied'), "may not be opened"),
        (
            duckdb.IOException(
                'Async write failed for range [offset=27, size=9]: {"exception_type":"IO","exception_message":'
                '"Could not write file \\"/corrupt.parquet\\": No space left on device","errno":"28"}'
            ),
            "the disk is full",
        ),
        (duckdb.Error("Corrupt database file: wrong checksum in block at location 1"), "damaged"),
        (duckdb.OutOfMemoryException("Out of Memory Error: failed to allocate"), "not enough memory"),
        (duckdb.IOException('Could not do with "/lock/no space left/damaged"'), r"could not be used \(IOException\)"),
    ],
)
def test_errors_of_the_engine_in_plain_words(error: duckdb.Error, words: str) -> None:
    """The texts are those that the engine wrote when this was built; a path in them says nothing."""
    fault = database_fault(error, "registry.duckdb")
    assert re.search(words, fault.what)
    assert fault.mend
