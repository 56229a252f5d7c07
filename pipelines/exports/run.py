"""An export from beginning to end: all of it is there, or nothing."""

from __future__ import annotations

import json
import os
import re
import shutil
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from errno import ENOSPC
from pathlib import Path
from typing import TYPE_CHECKING
from uuid import uuid4

from registry.changes import transaction
from registry.errors import Fault, GraftledgerError
from registry.store import Registry, open_registry

from .._queries import rows
from ..cohorts import FlowStep, StoredCohort, cohort_flow, kept_members, load_cohort
from ..shared_tables import engine_memory, held_memory
from .columns import Level
from .disclosure import DEFAULT_K, Disclosure, anonymise, as_it_is
from .formats import FORMATS, IN_MEMORY, in_files
from .gathering import frame_of, kept_export, secret_for
from .ledger import note_export
from .package import FLOW_PICTURE, descriptor, file_hash, written_texts
from .tables import Table, tables_at
from .time_to_event import time_to_event

if TYPE_CHECKING:
    import polars as pl

CHECKSUMS = "SHA256SUMS"
_BYTES_A_VISIT = 1_000
"""Memory that a table of visits takes where all of it is changed or written at once, a row; measured (benchmarks)."""


@dataclass(frozen=True)
class Exported:
    """What was written. rows: by table."""

    export_id: int
    folder: Path
    cohort: StoredCohort
    level: Level
    rows: Mapping[str, int]
    report: Disclosure


@contextmanager
def let_out(registry: Path, out: Path) -> Iterator[tuple[Registry, Path]]:
    """A registry folder opened for an export, and a folder beside `out` to export to, which becomes `out` at the end.

    So whatever is found under its name is in the ledger, also where the program is killed in between.
    Raises: GraftledgerError as `export_cohort` and `open_registry`; then nothing is left.
    """
    refuse_present(out)
    folder = out.with_name(f".unfinished-{out.name}-{uuid4().hex}")
    try:
        with open_registry(registry, read_only=False) as opened:
            yield opened, folder
        with _disk_in_words(out):
            os.rename(folder, out)
    except BaseException:
        shutil.rmtree(folder, ignore_errors=True)
        raise


def export_cohort(
    registry: Registry,
    name: str,
    out: Path,
    *,
    level: Level,
    formats: Sequence[str] = ("csv",),
    seed: int | None = None,
    k: int = DEFAULT_K,
    with_sites: bool = True,
    version: int | None = None,
    exported_by: str,
    drawn: Callable[[StoredCohort, Sequence[FlowStep]], str] | None = None,
    progress: Callable[[str], None] = lambda words: None,
) -> Exported:
    """Export a cohort into a new folder, and write it down in the ledger.

    registry: opened for writing. formats: see `formats_named`. seed: makes the keys of the levels limited and
    anonymous repeatable. k: patients who must be alike at the level anonymous; at both of these levels a cohort of
    fewer is refused. with_sites: whether the level limited keeps the codes of sites and people. drawn: draws who was
    left out at each step as SVG; not called at the level anonymous, where small numbers must not leave.
    The same arguments on the same snapshot give the same bytes, but for the keys where there is no seed.
    Raises: GraftledgerError where the folder is there already or cannot be written, there is no such cohort, it is
    too small, what must be in memory would not fit, or the level cannot be reached. Then nothing is left behind.
    """
    refuse_present(out)
    if k < 2:
        raise GraftledgerError("k must be 2 or more: with 1 every patient may be alone.")
    cohort = load_cohort(registry, name, version)
    flow = () if level is Level.ANONYMOUS else cohort_flow(registry, cohort.definition)
    secret = None if level is Level.INTERNAL else secret_for(seed)
    progress("Choosing the patients")
    with ExitStack() as stack:
        stack.enter_context(kept_members(registry, cohort.definition))
        _refuse_small(registry, level, k)
        _refuse_large(registry, level, formats)
        stack.enter_context(held_memory(registry.connection))
        stack.enter_context(kept_export(registry, cohort.definition, secret))
        pictures = {FLOW_PICTURE: drawn(cohort, flow)} if drawn and flow else {}
        order = _Order(cohort, flow, pictures, level, tuple(formats), seed is not None, exported_by, k, with_sites)
        stack.enter_context(_disk_in_words(out))
        return _written(registry, order, out, progress)


@contextmanager
def _disk_in_words(out: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise GraftledgerError(
            Fault(
                f"the export could not be written ({(error.strerror or 'error').lower()}); nothing is left of it.",
                str(out),
                mend="Is there room, and is the folder above it writable?",
            )
        ) from None


def refuse_present(out: Path) -> None:
    """Refuse a folder that is there already. Raises: GraftledgerError."""
    if out.exists() or out.is_symlink():
        raise GraftledgerError(
            Fault("the folder is there already.", str(out), mend="Name a new one with --out; nothing was written.")
        )


def _refuse_small(registry: Registry, level: Level, k: int) -> None:
    n = int(rows(registry, (), "select count(*) as n from cohort_patient where left_out_by is null", {}).item())
    if not n:
        raise GraftledgerError(
            "Nobody of this cohort may leave: there is no patient in it who consented to research. "
            "Look at: graftledger cohort show NAME."
        )
    if n < k and level is not Level.INTERNAL:
        raise GraftledgerError(
            f"The cohort has fewer than {k} patients, too few for the level {level}. Widen its conditions."
        )


def _refuse_large(registry: Registry, level: Level, formats: Sequence[str]) -> None:
    """Refuse what needs the largest table in memory at once where it would not fit; else the machine stands still."""
    wanted = ([f"level {level}"] if level is Level.ANONYMOUS else []) + [f for f in formats if f in IN_MEMORY]
    if not wanted:
        return
    visits = (
        "select count(*) as n from visit join session using (session_key) join cohort_patient using (patient_key) "
        "where left_out_by is null"
    )
    n = int(rows(registry, (), visits, {}).item())
    if n * _BYTES_A_VISIT > engine_memory(registry.connection):
        raise GraftledgerError(
            f"The cohort has {n:,} visits, and for {' and '.join(wanted)} all of them must be in memory at once: some "
            f"{n * _BYTES_A_VISIT / 2**30:,.0f} GiB, more than this machine can spare. Choose a smaller cohort; the "
            "levels internal and limited as CSV or Parquet have no such limit."
        )


@dataclass(frozen=True)
class _Order:
    """What was asked for. flow: who was left out at each step; empty where small numbers must not leave.

    pictures: SVG by name of the file.
    """

    cohort: StoredCohort
    flow: tuple[FlowStep, ...]
    pictures: Mapping[str, str]
    level: Level
    formats: tuple[str, ...]
    seeded: bool
    exported_by: str
    k: int
    with_sites: bool


def _written(registry: Registry, order: _Order, out: Path, progress: Callable[[str], None]) -> Exported:
    """Write everything beside the folder, then note it and move it into place."""
    out.parent.mkdir(parents=True, exist_ok=True)
    beside = Path(tempfile.mkdtemp(prefix=f".unfinished-{out.name}-", dir=out.parent))
    try:
        (beside / "data").mkdir()
        with tempfile.TemporaryDirectory(dir=beside) as scratch:
            tables, report = _written_tables(registry, order, beside / "data", Path(scratch), progress)
        progress("Writing what describes them")
        texts = written_texts(order.cohort, order.flow, order.pictures, order.level, registry, tables, report)
        hashes = _hashes(beside)
        described = descriptor(order.cohort, order.pictures, order.level, registry, tuple(tables), beside, hashes)
        texts["datapackage.json"] = json.dumps(described, indent=2, ensure_ascii=False) + "\n"
        for name, text in texts.items():
            (beside / name).write_text(text, encoding="utf-8", newline="\n")
        hashes = dict(sorted((hashes | {name: file_hash(beside / name) for name in texts}).items()))
        sums = "".join(f"{sha256}  {name}\n" for name, sha256 in hashes.items())
        (beside / CHECKSUMS).write_text(sums, encoding="utf-8", newline="\n")
        os.chmod(beside, 0o700)
        with transaction(registry.connection):
            number = note_export(
                registry,
                order.cohort,
                level=order.level,
                formats=order.formats,
                seeded=order.seeded,
                exported_by=order.exported_by,
                files=hashes,
                patients="select registry_key as patient_key from export_patient "
                "where patient_key in (from exported_key)",
            )
            os.rename(beside, out)
    except BaseException:
        shutil.rmtree(beside, ignore_errors=True)
        with suppress(FileNotFoundError):
            if not out.is_symlink() and (out / CHECKSUMS).exists() and not beside.exists():
                shutil.rmtree(out, ignore_errors=True)  # the ledger did not take it, so it must not be there
        raise
    finally:
        registry.connection.execute("drop table if exists temp.exported_key")
    n_rows = {table.name: n for table, n in tables.items()}
    return Exported(number, out, order.cohort, order.level, n_rows, report)


def _written_tables(
    registry: Registry, order: _Order, folder: Path, scratch: Path, progress: Callable[[str], None]
) -> tuple[dict[Table, int], Disclosure]:
    """Write every table in every format. Returns the tables with their rows, and what was changed.

    Keeps the keys of the patients written as the temporary table `exported_key`.
    """
    written: dict[Table, int] = {}
    after_all: list[tuple[Table, pl.LazyFrame]] = []

    def read(table: Table) -> pl.LazyFrame:
        progress(f"Reading {table.name}")
        return frame_of(registry, table, scratch)

    def write(table: Table, frame: pl.LazyFrame) -> None:
        if table.name == "patients":
            registry.connection.register("exported", frame.select("patient_key").collect())
            registry.connection.execute("create or replace temp table exported_key as from exported")
            registry.connection.unregister("exported")
        if table.name == "gaps":
            after_all.append(time_to_event(frame, order.level, order.cohort.name))
        in_file = in_files(frame, table)
        for ending in order.formats:
            progress(f"Writing {table.name}.{ending}")
            _in_format(in_file, table, folder / f"{table.name}.{ending}")
        written[table] = _height(frame)

    tables = tables_at(order.level, with_sites=order.with_sites)
    people = rows(registry, ("export_quasi",), "from export_quasi", {})
    if order.level is Level.ANONYMOUS:
        progress("Making groups of patients who are alike")
        report = anonymise(tables, read, write, people, order.k)
    else:
        report = as_it_is(order.level, tables, read, write, people, order.k)
    for table, frame in after_all:
        write(table, frame)
    return written, report


def _height(frame: pl.LazyFrame) -> int:
    import polars as pl

    return int(frame.select(pl.len()).collect().item())


def _hashes(folder: Path) -> dict[str, str]:
    """SHA-256 of every file below a folder, by its path in it."""
    return {
        path.relative_to(folder).as_posix(): file_hash(path) for path in sorted(folder.rglob("*")) if path.is_file()
    }


def _in_format(frame: pl.LazyFrame, table: Table, path: Path) -> None:
    """Raises: OSError where the disk gives out, also where a library has its own error for that."""
    from polars.exceptions import PolarsError
    from pyreadstat import ReadstatError

    try:
        FORMATS[path.suffix[1:]](frame, table, path)
    except (OSError, PolarsError, ReadstatError) as error:
        if isinstance(error, OSError) and error.errno:
            raise
        if re.search("no space|io error|unable to write|too large", str(error).lower()):
            raise OSError(ENOSPC, "no space left on device") from None
        raise
