"""Changing a registry without a trace of what is taken out of it.

A deleted row stays legible in the blocks of a database file until they are used again. So a change that erases is made
on a copy, what is left of the copy is written to a new file, and that file takes the place of the database in one
step. A failure or a kill at any moment leaves the database as it was; left-over copies are removed by the next rewrite
and told of by `verify`.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from ._ddl import literal, quoted
from .database_errors import database_fault
from .errors import Fault, GraftledgerError
from .store import DATABASE_FILE, Registry, connect, open_registry

if TYPE_CHECKING:
    import duckdb

UNFINISHED = (f"{DATABASE_FILE}.unfinished-copy", f"{DATABASE_FILE}.unfinished")


def leftovers(folder: Path) -> list[Path]:
    """Copies that an interrupted rewrite left in a registry folder, and what belongs to them."""
    return sorted(folder.glob(f"{DATABASE_FILE}.unfinished*"))


@contextmanager
def rewrite_registry(folder: Path) -> Iterator[Registry]:
    """A registry to change for the length of a `with` block; at its end it takes the place of the one in the folder.

    Raises: GraftledgerError as `open_registry`, and where the folder cannot be written.
    """
    import duckdb

    copy, final = (folder / name for name in UNFINISHED)
    with open_registry(folder, read_only=False) as original:  # nobody else can write meanwhile
        try:
            _remove(leftovers(folder))
            original.connection.execute("checkpoint")  # else a log of a killed intake would outlive its database
            copy_database(original.connection, copy)
            with connect(copy, read_only=False) as connection:
                yield replace(original, connection=connection)
                copy_database(connection, final)
            copy.unlink()
            os.chmod(final, 0o600)
            flush(final)
            if os.name == "nt":
                original.connection.close()
            os.replace(final, folder / DATABASE_FILE)
            flush(folder)
        except (OSError, duckdb.Error) as error:
            raise GraftledgerError(
                Fault(
                    f"the registry could not be rewritten ({_why(error)}); it is as it was.",
                    str(folder),
                    mend="Is the folder writable, and is there room for two more copies of the database?",
                )
            ) from None
        finally:
            with suppress(OSError):  # `verify` tells of what is left
                _remove(leftovers(folder))


def _why(error: OSError | duckdb.Error) -> str:
    if isinstance(error, OSError):
        return (error.strerror or "error").lower()
    return database_fault(error, DATABASE_FILE).what.removesuffix(".")


def copy_database(connection: duckdb.DuckDBPyConnection, target: Path) -> None:
    """Write what a database holds to a new file. The database itself may be open for reading alone."""
    name = connection.execute("select current_database()").fetchall()[0][0]
    connection.execute(f"attach {literal(str(target))} as copied (read_write)")
    connection.execute(f"copy from database {quoted(name)} to copied")
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


def _remove(paths: list[Path]) -> None:
    for path in paths:
        path.unlink(missing_ok=True)
