"""An export from beginning to end: all of it is there, or nothing."""

from __future__ import annotations

import json
import os
import re
import shutil
import tempfile
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from errno import ENOSPC
from pathlib import Path
from typing import TYPE_CHECKING

from registry.changes import transaction
from registry.errors import Fault, GraftledgerError
from registry.store import Registry

from .._queries import rows
from ..cohorts import FlowStep, StoredCohort, cohort_flow, load_cohort
from .columns import Level
from .disclosure import DEFAULT_K, Disclosure, anonymise, as_it_is
from .formats import FORMATS, in_files
from .gathering import frames_of, kept_export, secret_for
from .ledger import note_export
from .package import descriptor, file_hash, written_texts
from .tables import Table, tables_at
from .time_to_event import time_to_event

if TYPE_CHECKING:
    import polars as pl

CHECKSUMS = "SHA256SUMS"


@dataclass(frozen=True)
class Exported:
    """What was written. rows: by table."""

    export_id: int
    folder: Path
    cohort: StoredCohort
    level: Level
    rows: Mapping[str, int]
    report: Disclosure


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
    progress: Callable[[str], None] = lambda words: None,
) -> Exported:
    """Export a cohort into a new folder, and write it down in the ledger.

    registry: opened for writing. formats: see `formats_named`. seed: makes the keys of the levels limited and
    anonymous repeatable. k: patients who must be alike at the level anonymous; at both of these levels a cohort of
    fewer is refused. with_sites: whether the level limited keeps the codes of sites and people.
    The same arguments on the same snapshot give the same bytes, but for the keys where there is no seed.
    Raises: GraftledgerError where the folder is there already or cannot be written, there is no such cohort, it is
    too small, or the level cannot be reached. Then nothing is left behind.
    """
    refuse_present(out)
    if k < 2:
        raise GraftledgerError("k must be 2 or more: with 1 every patient may be alone.")
    cohort = load_cohort(registry, name, version)
    flow = () if level is Level.ANONYMOUS else cohort_flow(registry, cohort.definition)
    with kept_export(registry, cohort.definition, secret_for(seed)):
        _refuse_small(registry, level, k)
        tables = tables_at(level, with_sites=with_sites)
        frames = frames_of(registry, tables, progress)
        people = rows(registry, ("export_quasi",), "from export_quasi", {})
        if level is Level.ANONYMOUS:
            progress("Making groups of patients who are alike")
            tables, frames, report = anonymise(tables, frames, people, k)
        else:
            report = as_it_is(level, people, k)
        table, frame = time_to_event(frames["gaps"], level, cohort.name)
        tables, frames = (*tables, table), {**frames, table.name: frame}
        try:
            order = _Order(cohort, flow, level, tuple(formats), seed is not None, exported_by)
            number = _written(registry, order, out, tables, frames, report, progress)
        except OSError as error:
            raise GraftledgerError(
                Fault(
                    f"the export could not be written ({(error.strerror or 'error').lower()}); nothing is left of it.",
                    str(out),
                    mend="Is there room, and is the folder above it writable?",
                )
            ) from None
    return Exported(number, out, cohort, level, {t.name: frames[t.name].height for t in tables}, report)


def refuse_present(out: Path) -> None:
    """Refuse a folder that is there already. Raises: GraftledgerError."""
    if out.exists() or out.is_symlink():
        raise GraftledgerError(
            Fault("the folder is there already.", str(out), mend="Name a new one with --out; nothing was written.")
        )


def _refuse_small(registry: Registry, level: Level, k: int) -> None:
    n = int(rows(registry, (), "select count(*) as n from export_patient", {}).item())
    if not n:
        raise GraftledgerError(
            "Nobody of this cohort may leave: there is no patient in it who consented to research. "
            "Look at: graftledger cohort show NAME."
        )
    if n < k and level is not Level.INTERNAL:
        raise GraftledgerError(
            f"The cohort has fewer than {k} patients, too few for the level {level}. Widen its conditions."
        )


@dataclass(frozen=True)
class _Order:
    """What was asked for. flow: who was left out at each step; empty where small numbers must not leave."""

    cohort: StoredCohort
    flow: tuple[FlowStep, ...]
    level: Level
    formats: tuple[str, ...]
    seeded: bool
    exported_by: str


def _written(
    registry: Registry,
    order: _Order,
    out: Path,
    tables: Sequence[Table],
    frames: Mapping[str, pl.DataFrame],
    report: Disclosure,
    progress: Callable[[str], None],
) -> int:
    """Write everything beside the folder, then note it and move it into place. Returns the number of the export."""
    out.parent.mkdir(parents=True, exist_ok=True)
    beside = Path(tempfile.mkdtemp(prefix=f".unfinished-{out.name}-", dir=out.parent))
    try:
        (beside / "data").mkdir()
        for table in tables:
            frame = in_files(frames[table.name], table)
            for ending in order.formats:
                progress(f"Writing {table.name}.{ending}")
                _in_format(frame, table, beside / "data" / f"{table.name}.{ending}")
        texts = written_texts(order.cohort, order.flow, order.level, registry, tables, frames, report)
        described = descriptor(order.cohort, order.level, registry, tables, beside)
        texts["datapackage.json"] = json.dumps(described, indent=2, ensure_ascii=False) + "\n"
        for name, text in texts.items():
            (beside / name).write_text(text, encoding="utf-8", newline="\n")
        hashes = {
            path.relative_to(beside).as_posix(): file_hash(path) for path in sorted(beside.rglob("*")) if path.is_file()
        }
        sums = "".join(f"{sha256}  {name}\n" for name, sha256 in hashes.items())
        (beside / CHECKSUMS).write_text(sums, encoding="utf-8", newline="\n")
        os.chmod(beside, 0o700)
        with transaction(registry.connection):
            registry.connection.register("exported_key", frames["patients"].select("patient_key"))
            key = "patient_key" if order.level is Level.INTERNAL else "export_key(patient_key)"
            number = note_export(
                registry,
                order.cohort,
                level=order.level,
                formats=order.formats,
                seeded=order.seeded,
                exported_by=order.exported_by,
                files=hashes,
                patients=f"select patient_key from export_patient where {key} in (from exported_key)",
            )
            registry.connection.unregister("exported_key")
            os.rename(beside, out)
    except BaseException:
        shutil.rmtree(beside, ignore_errors=True)
        with suppress(FileNotFoundError):
            if not out.is_symlink() and (out / CHECKSUMS).exists() and not beside.exists():
                shutil.rmtree(out, ignore_errors=True)  # the ledger did not take it, so it must not be there
        raise
    return number


def _in_format(frame: pl.DataFrame, table: Table, path: Path) -> None:
    """Raises: OSError where the disk gives out, also where a library has its own error for that."""
    from polars.exceptions import PolarsError
    from pyreadstat import ReadstatError

    try:
        FORMATS[path.suffix[1:]](frame, table, path)
    except (PolarsError, ReadstatError) as error:
        if re.search("no space|io error|unable to write|too large", str(error).lower()):
            raise OSError(ENOSPC, "no space left on device") from None
        raise
