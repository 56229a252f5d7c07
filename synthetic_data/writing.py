"""Fictional clinics as files: what each site would send, the truth, and the planted mistakes."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import polars as pl

from registry.definition import RECORD_TYPES, SET_SEPARATOR
from registry.errors import Fault, GraftledgerError

from ._planting import ROW, SITE, plant
from .clinics import DATA_DATE, SITES, SURGEONS
from .simulation import simulate
from .truth import Truth, model_truth

MODEL_PATIENTS, MODEL_SEED = 50_000, 2026
"""The independent population behind the `model` values of truth.json."""
TRUTH_FILE, PLANTED_FILE = "truth.json", "planted_errors.csv"
_ABOUT = "Invented patients of invented clinics. Nothing here says anything about real surgery."


@dataclass(frozen=True)
class Synthesised:
    """What was written.

    files: all of them, sorted. rows: by record. planted: mistakes planted. sites, surgeons: codes for the settings.
    data_date: the last day of the data.
    """

    folder: Path
    files: tuple[Path, ...]
    rows: Mapping[str, int]
    planted: int
    sites: tuple[str, ...]
    surgeons: tuple[str, ...]
    data_date: date


def synthesise(
    folder: Path | str,
    *,
    patients: int,
    seed: int,
    errors: float = 0.0,
    progress: Callable[[str], None] | None = None,
) -> Synthesised:
    """Write the records of fictional clinics: FOLDER/<SITE>/<record>.csv, truth.json, planted_errors.csv.

    patients: from 1 to 2,000,000. seed: 0 or above; the same seed and number give the same bytes.
    errors: share of the rows, from 0 to 1, in which a mistake is planted. progress: told of each step.

    Raises: GraftledgerError where an argument is out of range, the folder is not empty or cannot be written. Then
    nothing was written.
    """
    folder = Path(folder)
    tell = progress or (lambda _: None)
    if not 0.0 <= errors <= 1.0:
        raise GraftledgerError("The share of errors must be from 0 to 1.")
    _check_empty(folder)
    tell("drawing patients, sessions and contacts")
    simulated = simulate(patients, seed)
    files = _by_site(simulated.frames)
    planted = None
    if errors > 0.0:
        tell("planting mistakes")
        files, planted = plant(files, errors, seed)
    tell("computing what the model expects")
    expected = model_truth(patients=MODEL_PATIENTS, seed=MODEL_SEED)
    with _all_or_nothing(folder) as unfinished:
        tell("writing")
        for site in SITES:
            (unfinished / site).mkdir()
            for record in RECORD_TYPES:
                rows = files[record.name].filter(pl.col(SITE) == site).select(record.field_names)
                if rows.height:  # a site sends no file of which it has no rows
                    rows.write_csv(unfinished / site / f"{record.name}.csv")
        truth = _truth_text(patients, seed, simulated.truth, expected)
        (unfinished / TRUTH_FILE).write_text(truth, encoding="utf-8", newline="\n")
        if planted is not None:
            planted.write_csv(unfinished / PLANTED_FILE)
    return Synthesised(
        folder=folder,
        files=tuple(sorted(path for path in folder.rglob("*") if path.is_file())),
        rows={record.name: files[record.name].height for record in RECORD_TYPES},
        planted=0 if planted is None else planted.height,
        sites=SITES,
        surgeons=SURGEONS,
        data_date=DATA_DATE,
    )


def _check_empty(folder: Path) -> None:
    if folder.is_dir() and not any(folder.iterdir()):
        return
    if folder.exists():
        what = "the folder is not empty." if folder.is_dir() else "this is a file."
        raise GraftledgerError(Fault(what, str(folder), mend="Nothing is overwritten. Name a new or an empty folder."))


@contextmanager
def _all_or_nothing(folder: Path) -> Iterator[Path]:
    """A folder whose content is moved into place at the end, or removed where something fails."""
    was_there = folder.exists()
    unfinished = folder / ".unfinished"
    try:
        unfinished.mkdir(parents=True)
        yield unfinished
        for path in sorted(unfinished.iterdir()):
            os.replace(path, folder / path.name)
        unfinished.rmdir()
    except BaseException as error:
        shutil.rmtree(unfinished, ignore_errors=True)
        if not was_there:
            shutil.rmtree(folder, ignore_errors=True)
        if isinstance(error, OSError):
            reason = (error.strerror or "error").lower()
            raise GraftledgerError(
                Fault(f"the records could not be written ({reason}).", str(folder), mend="Is the folder writable?")
            ) from None
        raise


def _by_site(frames: Mapping[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    """The records as the text of their files, with the site whose file holds each row, and its number there."""
    home = frames["session"].select("session_key", pl.col("site_code").alias(SITE))
    files = {}
    for name, frame in frames.items():
        text = frame.select(_as_text(column, kind) for column, kind in frame.schema.items())
        if "site_code" in frame.columns:
            text = text.with_columns(pl.col("site_code").alias(SITE))
        else:
            text = text.join(home, on="session_key", how="left", maintain_order="left")
        files[name] = text.with_columns(pl.int_range(1, pl.len() + 1).over(SITE).alias(ROW))
    return files


def _as_text(column: str, kind: pl.DataType) -> pl.Expr:
    match kind:
        case pl.Boolean():
            return pl.when(pl.col(column)).then(pl.lit("yes")).when(~pl.col(column)).then(pl.lit("no")).alias(column)
        case pl.List():
            return pl.col(column).list.join(SET_SEPARATOR)
        case _:
            return pl.col(column).cast(pl.String)


def _truth_text(patients: int, seed: int, realised: Truth, expected: Truth) -> str:
    """The truth as JSON, one value a line."""
    head = {
        "about": _ABOUT,
        "data_date": DATA_DATE.isoformat(),
        "patients": patients,
        "seed": seed,
        "realised": "of the very patients in these files, whatever of it was observed",
        "model": f"expected by the model: an independent population of {MODEL_PATIENTS:,} patients, with the "
        "Monte-Carlo standard error of each value",
    }
    lines = [json.dumps(quantity.as_dict()) for truth in (realised, expected) for quantity in truth.quantities]
    return json.dumps(head, indent=1)[:-2] + ',\n "quantities": [\n  ' + ",\n  ".join(lines) + "\n ]\n}\n"
