"""The records as Parquet files by site and year: written from a registry, and read by the same SQL in its place.

A folder of Parquet holds a folder a record type, `site=SITE/year=YEAR` in each, the settings, and `records.json`: which
files belong to it with their sizes, which sites' records they are, and the sums of the snapshot. Several such folders,
each of other sites, are read as one from the folder above, with settings of its own. Reading is by views in a database
in memory, which also has the registry's bookkeeping tables, all empty but the sums.
"""

from __future__ import annotations

import json
import re
import shutil
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import asdict
from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ._ddl import field_names_sql, history_ddl, literal, quoted, table_ddl
from .database_errors import database_fault, is_from_outside, system_fault
from .database_file import CATALOG, CONFIG, DATABASE_FILE, flush
from .definition import PATIENT, RECORD_TYPES, SESSION, RecordType
from .errors import Fault, GraftledgerError
from .settings import SETTINGS_FILE, load_settings
from .snapshot import ContentSum, computed_sums, snapshot_id, store_sums
from .store import Registry
from .version import program_version

if TYPE_CHECKING:
    import duckdb

ABOUT_FILE = "records.json"
_FORMAT = 1
_YEAR: Mapping[str, str] = {
    PATIENT.name: "year(enrolled_on)",
    SESSION.name: "year(performed_on)",
    "site_period": "left(quarter, 4)::integer",
}
"""The year under which a record lies, by its type; records of a session lie under that of their session."""
_DAMAGE = re.compile(r"parquet|thrift|magic bytes|zstd|decompress|utf8 encoded")
_PART = "format parquet, compression zstd, partition_by (site, year)"


def write_parquet_records(registry: Registry, folder: Path) -> Mapping[str, int]:
    """Write the records, as they are shown, to a new folder that only its owner may read: whole, or not at all.

    These are records, not counts, and in the clear. The registry does not note them, so no erasure tells of them.
    Returns how many there are of each type.
    Raises: GraftledgerError where the folder is there already or cannot be written.
    """
    import duckdb

    if folder.exists():
        raise _refused("the folder is there already.", folder, "Choose another name, or remove it first.")
    work: Path | None = None
    try:
        folder.absolute().parent.mkdir(parents=True, exist_ok=True)
        work = Path(tempfile.mkdtemp(prefix=".unfinished-", dir=folder.absolute().parent))  # its owner's alone
        for record in RECORD_TYPES:
            registry.connection.execute(f"copy ({_with_place(record)}) to {literal(str(work / record.name))} ({_PART})")
        shutil.copyfile(registry.folder / SETTINGS_FILE, work / SETTINGS_FILE)
        sums = computed_sums(registry.connection)
        written = sorted(path for path in work.rglob("*.parquet"))
        about = {
            "format": _FORMAT,
            "program_version": program_version(),
            "written_at": datetime.now(UTC).isoformat(timespec="seconds"),
            "snapshot": snapshot_id(sums),
            "sites": list(registry.settings.sites),
            "sums": {name: asdict(one) for name, one in sums.items()},
            "files": {path.relative_to(work).as_posix(): path.stat().st_size for path in written},
        }
        (work / ABOUT_FILE).write_text(json.dumps(about, indent=1) + "\n", encoding="utf-8")
        for path in [*work.rglob("*"), work]:
            path.chmod(0o700 if path.is_dir() else 0o600)
            flush(path)
        work.rename(folder)
        flush(folder.absolute().parent)
    except OSError as error:
        raise GraftledgerError(system_fault(error, str(folder))) from None
    except duckdb.Error as error:
        if not is_from_outside(error):
            raise
        raise GraftledgerError(database_fault(error, str(folder))) from None
    finally:
        if work is not None:
            shutil.rmtree(work, ignore_errors=True)
    return {name: one.row_count for name, one in sums.items()}


def holds_parquet(folder: Path) -> bool:
    """Whether a folder that is no registry holds records in Parquet, or folders of them."""
    return not (folder / DATABASE_FILE).exists() and bool(_parts(folder))


def parquet_fault(folder: Path) -> Fault | None:
    """What to say where a folder of Parquet is given to what needs a registry; None for any other folder."""
    if not holds_parquet(folder):
        return None
    mend = "Give the registry that they come from."
    return Fault("these are records in Parquet, not a registry.", str(folder), mend=mend)


@contextmanager
def open_parquet_records(
    folder: Path, known_measures: Sequence[str] = (), *, only_as_is: bool = True
) -> Iterator[Registry]:
    """Open a folder of Parquet, or of such folders, as a registry that can only be read, for a `with` block.

    Every analysis gives the figures of the registry that the records come from, or of one with all their records; its
    snapshot too. It knows of no intakes, cohorts or reviews.
    only_as_is: else it is to be changed, or shown as it was earlier, and refused.
    Raises: GraftledgerError where a file is missing or has another size, records were written by another version, one
    site is in two folders or not in the settings; and, within the block, where files are damaged.
    """
    import duckdb

    if not only_as_is:
        what = "these are records in Parquet: they can only be read, and as they are."
        raise _refused(what, folder, "Do it in the registry they come from, then have them written anew.")
    settings = load_settings(folder / SETTINGS_FILE, known_measures)
    parts = {part: _about(part) for part in _parts(folder)}
    _refuse_sites(parts, settings.sites)
    with closing(duckdb.connect(config=CONFIG | {"temp_directory": str(folder / ".unfinished-parquet")})) as connection:
        try:
            connection.execute(f"attach ':memory:' as {CATALOG}")
            connection.execute(f"use {CATALOG}")
            _show(connection, {record: _listed(record, parts) for record in RECORD_TYPES})
            sums = [_sums(about) for about in parts.values()]
            store_sums(connection, {r.name: sum((one[r.name] for one in sums), ContentSum()) for r in RECORD_TYPES})
            yield Registry(folder, settings, connection)
        except duckdb.Error as error:
            if _DAMAGE.search(str(error).lower()):
                mend = "Copy the whole folder again, or have it written anew."
                raise _refused("a Parquet file is damaged, or of another version.", folder, mend) from None
            if is_from_outside(error):
                raise GraftledgerError(database_fault(error, str(folder))) from None
            raise


def registry_over(connection: duckdb.DuckDBPyConnection, address: str, settings: Path) -> Registry:
    """A registry of records in Parquet at an address that your own connection can read, such as `s3://bucket/north`.

    For object storage and shared catalogues. They need extensions of DuckDB and credentials, which you give to the
    connection first: the program itself loads none and opens no network. Views of the records, and the registry's
    bookkeeping, are made in its current database, which must be empty. No file is checked, all rows are read once for
    the snapshot, and the files must not change meanwhile.
    address: where `write_parquet_records` wrote, or several such places by a pattern, such as `s3://bucket/*`.
    settings: the file of settings, on this machine.
    Raises: GraftledgerError where there is no file of any record type, or the settings are at fault.
    """
    read = load_settings(settings)
    found = {}
    for record in RECORD_TYPES:
        pattern = literal(f"{address.rstrip('/')}/{record.name}/*/*/*.parquet")
        count = connection.execute(f"select count(*) from glob({pattern})").fetchall()[0][0]
        found[record] = pattern if count else ""
    if not any(found.values()):
        raise GraftledgerError(
            Fault(
                "there are no records in Parquet.",
                address,
                mend="Give the address of a folder that write-parquet wrote.",
            )
        )
    _show(connection, found)
    store_sums(connection, computed_sums(connection))
    return Registry(settings.parent, read, connection)


def _with_place(record: RecordType) -> str:
    """The rows of a record table, with the site and year under which they lie."""
    if record.name in _YEAR:
        return f"select *, site_code as site, {_YEAR[record.name]} as year from {quoted(record.name)}"
    assert record.parent == SESSION.name
    return (
        f"select r.*, s.site_code as site, year(s.performed_on) as year from {quoted(record.name)} as r "
        f"left join {quoted(SESSION.name)} as s on s.{quoted(SESSION.key[0])} = r.{quoted(SESSION.key[0])}"
    )


def _listed(record: RecordType, parts: Mapping[Path, Mapping[str, Any]]) -> str:
    """The files of a record type as SQL; nothing where there is none."""
    names = [str(part / name) for part, about in parts.items() for name in about["files"]]
    inside = [name for name in names if Path(name).parents[2].name == record.name]
    listed = ", ".join(literal(re.sub(r"([\[*?])", r"[\1]", name)) for name in inside)
    return f"[{listed}]" if inside else ""


def _show(connection: duckdb.DuckDBPyConnection, found: Mapping[RecordType, str]) -> None:
    """Make bookkeeping, and a view of each record type; its table, empty, where there is no file of it.

    found: the files of each type as SQL.
    """
    connection.execute((files("registry") / "_bookkeeping.sql").read_text(encoding="utf-8"))
    for record, listed in found.items():
        connection.execute(history_ddl(record))
        connection.execute(
            f"create view {quoted(record.name)} as select {field_names_sql(record)}, intake_id "
            f"from read_parquet({listed}, hive_partitioning = true)"
            if listed
            else table_ddl(record)
        )


def _parts(folder: Path) -> list[Path]:
    """The folders whose records are read together."""
    if (folder / ABOUT_FILE).is_file():
        return [folder]
    return sorted(path.parent for path in folder.glob(f"*/{ABOUT_FILE}") if not path.parent.name.startswith("."))


def _about(part: Path) -> dict[str, Any]:
    path = part / ABOUT_FILE
    try:
        about: dict[str, Any] = json.loads(path.read_bytes())
        newer = int(about["format"]) > _FORMAT
        sizes = {name: (part / name).stat().st_size if (part / name).is_file() else -1 for name in about["files"]}
        wrong = [name for name, size in sizes.items() if size != int(about["files"][name])]
        _sums(about)
        about["sites"] = list(about["sites"])
    except OSError as error:
        raise GraftledgerError(system_fault(error, str(path))) from None
    except (ValueError, KeyError, TypeError, AttributeError):
        raise _refused("it does not tell of records in Parquet.", path, "Have them written anew.") from None
    if newer:
        raise _refused("the records were written by a newer version.", path, "Update graftledger.")
    if wrong:
        what = f"{len(wrong):,} of its {len(sizes):,} files are missing or have another size; the first is {wrong[0]}."
        raise _refused(what, part, "Copy the whole folder again, or have it written anew.")
    return about


def _sums(about: Mapping[str, Any]) -> dict[str, ContentSum]:
    return {record.name: ContentSum(**about["sums"][record.name]) for record in RECORD_TYPES}


def _refuse_sites(parts: Mapping[Path, Mapping[str, Any]], listed: Sequence[str]) -> None:
    seen: dict[str, Path] = {}
    for part, about in parts.items():
        for site in about["sites"]:
            if site in seen:
                what = f"records of site {site} are in {seen[site].name} too, and would count twice."
                raise _refused(what, part, "Keep one of them.")
            if site not in listed:
                raise _refused(f"its site {site} is not in {SETTINGS_FILE}.", part, "Add it, and its surgeons, there.")
            seen[site] = part


def _refused(what: str, path: Path, mend: str) -> GraftledgerError:
    return GraftledgerError(Fault(what, str(path), mend=mend))
