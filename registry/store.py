"""The registry on disk: a folder with one DuckDB database and its settings."""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING

from ._ddl import record_tables_ddl
from .as_of import show_as_of
from .database_errors import database_fault, is_from_outside
from .database_file import DATABASE_FILE as DATABASE_FILE
from .database_file import attached, changing, connect_to_read
from .encryption import KEY_FILE_VARIABLE, KEY_VARIABLE, Key, key_given, need_module, needed_key
from .errors import Fault, GraftledgerError
from .settings import SETTINGS_FILE, Settings, load_settings, parse_settings, settings_text
from .snapshot import computed_sums, snapshot_id, stored_sums
from .version import program_version

if TYPE_CHECKING:
    import duckdb

SCHEMA_VERSION = 4
"""2: cohorts and exports. 3: case-mix models, outlier reviews, agreed actions. 4: baseline hazards."""


@dataclass(frozen=True)
class Registry:
    """An open registry.

    as_of_intake: number of the event after which it is shown; None shows it as it is now.
    erased_since: erasures after that event; where there are any, its records are no longer all there.
    """

    folder: Path
    settings: Settings
    connection: duckdb.DuckDBPyConnection
    as_of_intake: int | None = None
    erased_since: int = 0

    @property
    def snapshot(self) -> str:
        """Identifier of the records shown: those of now, or computed afresh from those of an earlier event."""
        of_now = self.as_of_intake is None
        return snapshot_id(stored_sums(self.connection) if of_now else computed_sums(self.connection))

    @property
    def data_date(self) -> date | None:
        """The latest day up to which a site declares its records complete; None while none has declared."""
        latest: date | None = self.connection.execute("select max(records_complete_to) from site_period").fetchall()[0][
            0
        ]
        return latest


def start_registry(
    folder: Path, sites: Sequence[str], surgeons: Sequence[str], practice: str, *, encrypted: bool = False
) -> None:
    """Make a registry folder: database and settings. Nothing is left behind where it fails.

    encrypted: under the key that the environment gives (`encryption.key_given`).

    Raises: GraftledgerError where the folder already holds a registry, a code is malformed or the folder cannot
    be written; and where it is to be encrypted and there is no key or the engine cannot encrypt here, or is not and
    there is a key.
    """
    import duckdb

    database, settings = folder / DATABASE_FILE, folder / SETTINGS_FILE
    for present in (database, settings):
        if present.exists():
            raise GraftledgerError(
                Fault(f"the folder already holds {present.name}.", str(folder), mend="Choose another folder.")
            )
    parse_settings(
        {"practice": practice, "sites": list(sites), "surgeons": list(surgeons)}, "command line"
    )  # refuses malformed codes before anything is written
    key = _key_of_new(encrypted)
    unfinished = folder / f"{DATABASE_FILE}.unfinished"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        unfinished.unlink(missing_ok=True)
        with closing(attached(unfinished, key)) as connection:
            connection.execute("begin")
            _add_bookkeeping(connection)
            for statement in record_tables_ddl():
                connection.execute(statement)
            connection.execute(
                "insert into registry_info values (?, ?, ?, ?, 1)",
                [SCHEMA_VERSION, datetime.now(UTC).date(), program_version(), secrets.token_hex(32)],
            )
            connection.execute("commit")
            connection.execute("checkpoint")
        os.chmod(unfinished, 0o600)
        settings.write_text(settings_text(practice, sites, surgeons), encoding="utf-8")
        os.replace(unfinished, database)
    except (OSError, duckdb.Error) as error:
        if folder.is_dir():
            unfinished.unlink(missing_ok=True)
        if not database.exists() and settings.exists():
            settings.unlink()
        raise GraftledgerError(
            Fault(
                f"the registry could not be made ({_short(error)}).",
                str(folder),
                mend="Is the folder writable?",
            )
        ) from None


def _key_of_new(encrypted: bool) -> Key | None:
    if encrypted:
        key = needed_key()
        need_module()
        return key
    if key_given() is not None:
        raise GraftledgerError(
            Fault(
                "a key is given, but the new registry would not be encrypted.",
                mend=f"Make it with: graftledger start --encrypted; or unset {KEY_FILE_VARIABLE} and {KEY_VARIABLE}.",
            )
        )
    return None


def _short(error: Exception) -> str:
    """The kind of an error, without the paths or values that its text may hold."""
    if isinstance(error, OSError) and error.strerror:
        return error.strerror.lower()
    return type(error).__name__


@contextmanager
def open_registry(
    folder: str | Path = ".",
    *,
    read_only: bool = True,
    known_measures: Sequence[str] = (),
    as_of_intake: int | None = None,
    afresh: bool = False,
) -> Iterator[Registry]:
    """Open a registry folder for the length of a `with` block.

    read_only: else it is changed: on a copy, which takes the database's place when the block ends; where an error ends
    the block, nothing was changed. Readers see the state before until then, and a second writer is turned away.
    as_of_intake: show it as that event left it; only for reading.
    afresh: leave nothing legible of what is deleted; only for changing (`database_file.changing`).

    Raises: GraftledgerError where there is no registry, another program is changing it, it was made by a newer
    version, is damaged or is no DuckDB database, its settings are at fault, or there was no such event; and, also
    within the `with` block, where the disk is full, the folder cannot be written or damage comes to light.
    """
    if not read_only and as_of_intake is not None:
        raise ValueError("an earlier state can only be read")
    folder = Path(folder)
    from .parquet_records import holds_parquet, open_parquet_records  # which imports this module

    if holds_parquet(folder):
        only_as_is = read_only and as_of_intake is None
        with open_parquet_records(folder, known_measures, only_as_is=only_as_is) as registry:
            yield registry
        return
    settings = settings_of(folder, known_measures)
    with closing(connect_to_read(folder / DATABASE_FILE)) as connection, _faults_in_words():
        _check_version(connection)
        if read_only:
            erased_since = 0 if as_of_intake is None else show_as_of(connection, as_of_intake)
            yield Registry(folder, settings, connection, as_of_intake, erased_since)
            return
    with changing(folder, afresh=afresh) as connection, _faults_in_words():
        if _check_version(connection) < SCHEMA_VERSION:
            _bring_up_to_date(connection)
        yield Registry(folder, settings, connection)


@contextmanager
def _faults_in_words() -> Iterator[None]:
    import duckdb

    try:
        yield
    except duckdb.Error as error:
        if not is_from_outside(error):
            raise
        raise GraftledgerError(database_fault(error, DATABASE_FILE)) from None


def settings_of(folder: Path, known_measures: Sequence[str] = ()) -> Settings:
    """The settings of a registry folder. Raises: GraftledgerError where it is none, or they are at fault."""
    try:
        names = {path.name for path in folder.iterdir()}
    except (FileNotFoundError, NotADirectoryError):
        names = set()
    except OSError as error:
        raise GraftledgerError(
            Fault(f"the folder cannot be read ({_short(error)}).", str(folder), mend="Check its permissions.")
        ) from None
    if DATABASE_FILE not in names and SETTINGS_FILE in names:
        raise GraftledgerError(
            Fault(
                f"the database is missing, though {SETTINGS_FILE} is there.",
                str(folder / DATABASE_FILE),
                mend="Restore the folder from a backup.",
            )
        )
    if DATABASE_FILE not in names:
        raise GraftledgerError(
            Fault(
                "there is no registry in this folder.",
                str(folder),
                mend="Make one with: graftledger start DIR --sites A,B --surgeons S1,S2; or name its folder with "
                "--registry DIR.",
            )
        )
    return load_settings(folder / SETTINGS_FILE, known_measures)


def _add_bookkeeping(connection: duckdb.DuckDBPyConnection) -> None:
    """The bookkeeping tables that are not there yet."""
    connection.execute((files("registry") / "_bookkeeping.sql").read_text(encoding="utf-8"))


def _bring_up_to_date(connection: duckdb.DuckDBPyConnection) -> None:
    """Give a registry of an older version the tables that came later; what it holds stays as it is."""
    connection.execute("begin")
    _add_bookkeeping(connection)
    connection.execute("update registry_info set schema_version = ?", [SCHEMA_VERSION])
    connection.execute("commit")


def has_table(connection: duckdb.DuckDBPyConnection, name: str) -> bool:
    """Whether the registry has a bookkeeping table; one of an older version, opened for reading, may lack it."""
    query = "select count(*) from duckdb_tables() where table_name = ? and not temporary"
    return bool(connection.execute(query, [name]).fetchall()[0][0])


def _check_version(connection: duckdb.DuckDBPyConnection) -> int:
    import duckdb

    try:
        rows = connection.execute("select schema_version from registry_info").fetchall()
    except duckdb.ProgrammingError:  # no such table or column
        rows = []
    if not rows:
        raise GraftledgerError(Fault("this database is not a graftledger registry.", DATABASE_FILE))
    found = int(rows[0][0])
    if found > SCHEMA_VERSION:
        raise GraftledgerError(
            Fault(
                f"the registry has schema version {found}; this program knows versions up to {SCHEMA_VERSION}.",
                DATABASE_FILE,
                mend="Update graftledger.",
            )
        )
    return found
