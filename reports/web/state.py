"""The one file in which the web application keeps its own affairs: accounts, sessions, log of access, jobs, comments.

It lies in the registry's folder, readable by its owner alone. Several processes may use it at once.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from importlib.resources import files
from pathlib import Path

from registry.errors import Fault, GraftledgerError

STATE_FILE = "web.sqlite"
PAGES_FOLDER = "web_pages"
"""Folder in the registry's folder with what was prepared for reading: finished reports, uploads, downloads."""
STATE_VERSION = 1
_WAIT_SECONDS = 10.0


def now() -> datetime:
    """This second, UTC."""
    return datetime.now(UTC).replace(microsecond=0)


def stamp(moment: datetime | None = None, *, ahead: timedelta = timedelta(0)) -> str:
    """A moment as the state writes it; now if left out.

    >>> stamp(datetime(2026, 1, 31, 12, tzinfo=UTC), ahead=timedelta(hours=1))
    '2026-01-31T13:00:00+00:00'
    """
    return ((moment or now()) + ahead).isoformat(timespec="seconds")


def digest(token: str) -> str:
    """What is kept of a token that is long and random."""
    return sha256(token.encode("utf-8")).hexdigest()


def prepare_state(folder: Path) -> None:
    """Make the file and its tables where they are missing. Raises: GraftledgerError where that cannot be done."""
    path = folder / STATE_FILE
    try:
        os.close(os.open(path, os.O_CREAT | os.O_RDWR, 0o600))
        os.chmod(path, 0o600)
        private_folder(folder / PAGES_FOLDER)
        with open_state(folder) as state:
            found = state.execute("pragma user_version").fetchone()[0]
            if found > STATE_VERSION:
                raise GraftledgerError(
                    Fault("was made by a newer version of this program.", path.name, mend="Update graftledger.")
                )
            state.execute(f"pragma user_version = {STATE_VERSION}")
            state.execute("pragma journal_mode = wal")
            state.executescript((files("reports.web") / "state.sql").read_text(encoding="utf-8"))
    except (OSError, sqlite3.Error) as error:
        why = error.strerror.lower() if isinstance(error, OSError) and error.strerror else type(error).__name__
        raise GraftledgerError(
            Fault(f"the file cannot be used ({why}).", path.name, mend="Is the registry's folder writable?")
        ) from None


def private_folder(path: Path) -> Path:
    """The folder, made where it is missing, for its owner alone."""
    path.mkdir(parents=True, exist_ok=True)
    os.chmod(path, 0o700)
    return path


@contextmanager
def open_state(folder: Path) -> Iterator[sqlite3.Connection]:
    """A connection for the length of a `with` block; each statement stands by itself unless `writing` holds several."""
    connection = sqlite3.connect(folder / STATE_FILE, timeout=_WAIT_SECONDS, isolation_level=None)
    connection.row_factory = sqlite3.Row
    try:
        connection.execute("pragma foreign_keys = on")
        connection.execute("pragma synchronous = normal")
        yield connection
    finally:
        connection.close()


@contextmanager
def writing(folder: Path) -> Iterator[sqlite3.Connection]:
    """A connection whose statements are kept together at the end of the block, or not at all."""
    with open_state(folder) as connection:
        connection.execute("begin immediate")
        try:
            yield connection
        except BaseException:
            connection.execute("rollback")
            raise
        connection.execute("commit")
