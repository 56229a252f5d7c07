"""The database file of a registry: read as it lies, changed only as a whole.

A change is made on a copy, which takes the file's place in one step once it is complete and on the disk. The engine
writes some blocks of a file in place: a kill in that instant would leave them torn. So a failure or a kill at any
moment leaves the database as it was or as it is after, readers are never kept waiting and see one state, and one writer
at a time holds a lock. Copies that a kill left behind are removed by the next change and told of by `verify`.
"""

from __future__ import annotations

import os
import shutil
import uuid
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

from ._ddl import literal, quoted
from .database_errors import database_fault, is_from_outside, system_fault
from .encryption import CIPHER, Key, key_for, prepare
from .errors import Fault, GraftledgerError

if TYPE_CHECKING:
    import duckdb
    from filelock import BaseFileLock

DATABASE_FILE = "registry.duckdb"
LOCK_FILE = "registry.lock"
CATALOG = "registry"
CONFIG: dict[str, str | bool | int | float | list[str]] = {
    "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
}


def connect_to_read(path: Path) -> duckdb.DuckDBPyConnection:
    """A connection that reads a database file as it is now.

    Raises: GraftledgerError in place of an engine's error, and as `key_for`.
    """
    return _connected(path, key_for(path), read_only=True)


def connect_to_write(path: Path) -> duckdb.DuckDBPyConnection:
    """A connection that writes to a database file. Raises: GraftledgerError as `connect_to_read`."""
    return _connected(path, key_for(path), read_only=False)


def attached(path: Path, key: Key | None, *, read_only: bool = False) -> duckdb.DuckDBPyConnection:
    """A connection to a database file under a key, or to a new one. Raises: the engine's errors.

    The file is attached to an instance of its own: one opened by its path is shared within a process, and would go on
    showing the former file after another took its place.
    """
    import duckdb

    connection = duckdb.connect(config=CONFIG | {"temp_directory": f"{path}.tmp"})
    try:
        _attach(connection, path, CATALOG, key, read_only=read_only)
        connection.execute(f"use {CATALOG}")
    except BaseException:
        connection.close()
        raise
    return connection


def cursor_of(connection: duckdb.DuckDBPyConnection) -> duckdb.DuckDBPyConnection:
    """Another connection to the same database, with temporary tables of its own.

    A cursor alone does not know which of the attached databases is meant.
    """
    cursor = connection.cursor()
    cursor.execute(f"use {catalog_of(connection)}")
    return cursor


def _connected(path: Path, key: Key | None, *, read_only: bool) -> duckdb.DuckDBPyConnection:
    import duckdb

    try:
        return attached(path, key, read_only=read_only)
    except duckdb.Error as error:
        raise GraftledgerError(database_fault(error, path.name if read_only else DATABASE_FILE)) from None


def _attach(
    connection: duckdb.DuckDBPyConnection, path: Path, name: str, key: Key | None, *, read_only: bool = False
) -> None:
    """The key is bound, not written into the statement, which the engine could repeat in an error."""
    options = ["read_only" if read_only else "read_write"]
    if key is not None:
        prepare(connection, read_only=read_only)
        connection.execute("set variable registry_key = ?", [key.text])
        options += ["encryption_key getvariable('registry_key')", f"encryption_cipher {literal(CIPHER)}"]
    try:
        connection.execute(f"attach {literal(str(path))} as {name} ({', '.join(options)})")
    finally:
        if key is not None:
            connection.execute("reset variable registry_key")


def catalog_of(connection: duckdb.DuckDBPyConnection) -> str:
    """The database that a connection means, quoted."""
    return quoted(connection.execute("select current_database()").fetchall()[0][0])


@contextmanager
def changing(folder: Path, *, afresh: bool = False) -> Iterator[duckdb.DuckDBPyConnection]:
    """A connection to change the database in a folder; what was committed counts once the `with` block ends well.

    afresh: write what is left to a new file. A deleted row stays legible in the blocks of a file until they are used
    again, so what is erased needs this.

    Raises: GraftledgerError where another program is changing the registry, there is no room for a copy (for two,
    afresh), or the folder cannot be written.
    """
    database = folder / DATABASE_FILE
    with _alone(folder):
        with _in_words():
            copy = _copied(database)
        connection = connect_to_write(copy)
        try:
            yield connection
            with _in_words():
                if afresh:
                    written = _new_name(database)
                    copy_database(connection, written, key_for(database))
                    shutil.copymode(database, written)
                else:
                    written = copy
                    connection.execute("checkpoint")
        finally:
            connection.close()
        with _in_words():
            _remove([path for path in _copies(folder) if path != written])
            _put_in_place(written, database)


def rewrite(folder: Path, now: Key | None, then: Key | None) -> None:
    """Write the database of a folder anew under another key, or none; it takes the place of the former as a whole.

    now: the key that opens it; None where it is clear. then: the key of the new file; None leaves it clear.
    The new file is opened again and its rows are held against the former ones before it takes its place.

    Raises: GraftledgerError where a key is wrong, the engine cannot encrypt here, or as `changing`. Then the database
    is as it was.
    """
    database = folder / DATABASE_FILE
    with _alone(folder), _in_words():
        if _log(database).exists():
            _connected(database, now, read_only=False).close()
        written = _new_name(database)
        with closing(_connected(database, now, read_only=True)) as connection:
            copy_database(connection, written, then)
            with closing(_connected(written, then, read_only=True)) as made:
                if _content(made) != _content(connection):
                    raise RuntimeError("the copy holds something else")
        shutil.copymode(database, written)
        _put_in_place(written, database)


@contextmanager
def _alone(folder: Path) -> Iterator[None]:
    """Hold the lock of the one writer for a `with` block; copies in the folder go, before it and after it."""
    lock = _lock(folder)
    try:
        with _in_words():
            _remove(_copies(folder))
        yield
    finally:
        with suppress(OSError):  # `verify` tells of what is left
            _remove(_copies(folder))
        lock.release()


def _content(connection: duckdb.DuckDBPyConnection) -> dict[str, tuple[int, int]]:
    """Rows of each table, and a sum over all their values."""
    tables = connection.execute(
        "select table_name, list(column_name order by ordinal_position) from information_schema.columns "
        "where table_catalog = current_database() group by all"
    ).fetchall()
    return {
        table: connection.execute(
            f"select count(*), sum(hash({', '.join(map(quoted, columns))})::hugeint) from {quoted(table)}"
        ).fetchall()[0]
        for table, columns in tables
    }


def _put_in_place(written: Path, database: Path) -> None:
    if _log(written).exists():
        raise RuntimeError("a change was not brought to rest")
    flush(written)
    os.replace(written, database)
    flush(database.parent)


def leftovers(folder: Path) -> list[Path]:
    """Copies that an interrupted change left in a registry folder; none while a change is under way."""
    copies = _copies(folder)
    if copies and (folder / LOCK_FILE).exists():
        try:
            _lock(folder).release()
        except GraftledgerError:
            return []
    return copies


def remove_leftovers(folder: Path) -> None:
    """Remove copies that an interrupted change left; nothing happens while a change is under way."""
    with suppress(GraftledgerError):
        lock = _lock(folder)
        try:
            _remove(_copies(folder))
        finally:
            lock.release()


def copy_database(connection: duckdb.DuckDBPyConnection, target: Path, key: Key | None) -> None:
    """Write what a database holds to a new file, under a key or clear. It may itself be open for reading alone."""
    _attach(connection, target, "copied", key)
    connection.execute(f"copy from database {catalog_of(connection)} to copied")
    connection.execute("checkpoint copied")
    connection.execute("detach copied")


def flush(path: Path) -> None:
    """Have the system write a file or folder to the disk."""
    if path.is_dir() and os.name == "nt":
        return
    handle = os.open(path, os.O_RDONLY if path.is_dir() else os.O_RDWR)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _lock(folder: Path) -> BaseFileLock:
    """The lock of the one writer, held. Raises: GraftledgerError where another holds it."""
    from filelock import FileLock, Timeout

    lock = FileLock(folder / LOCK_FILE, timeout=0, mode=0o600)
    with _in_words():
        try:
            lock.acquire()
        except Timeout:
            raise GraftledgerError(
                Fault(
                    "the registry is in use by another program, which is changing it.",
                    DATABASE_FILE,
                    mend="Wait until it has finished, and try again.",
                )
            ) from None
    return lock


def _copied(database: Path) -> Path:
    """A copy of the database beside it, with what a log beside it holds: versions before this one left such logs."""
    if _log(database).exists():
        connect_to_write(database).close()
    copy = _new_name(database)
    os.close(os.open(copy, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
    shutil.copyfile(database, copy)
    shutil.copymode(database, copy)
    return copy


def _new_name(database: Path) -> Path:
    """Never used before: the engine shares a file that is open under the same name in the same process."""
    return database.with_name(f"{database.name}.unfinished-{uuid.uuid4().hex}")


def _copies(folder: Path) -> list[Path]:
    return sorted(folder.glob(f"{DATABASE_FILE}.unfinished*"))


def _log(database: Path) -> Path:
    return database.with_name(f"{database.name}.wal")


@contextmanager
def _in_words() -> Iterator[None]:
    """Errors of the disk and the engine, while a change is begun or ended, in words."""
    import duckdb

    try:
        yield
    except OSError as error:
        raise GraftledgerError(system_fault(error, DATABASE_FILE)) from None
    except duckdb.Error as error:
        if not is_from_outside(error):
            raise
        raise GraftledgerError(database_fault(error, DATABASE_FILE)) from None


def _remove(paths: list[Path]) -> None:
    for path in paths:
        if path.is_dir():  # where the engine spilled to
            shutil.rmtree(path)
        else:
            path.unlink(missing_ok=True)
