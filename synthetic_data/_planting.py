"""Plants mistakes into a share of the rows, and lists each of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.random import Generator

from registry.definition import RecordType, record_type

from ._draw import Bools, Ints, stream
from ._mistakes import GRAFTS_TOTAL, MISTAKES, PERFORMED_ON, Mistake

SITE, ROW = ":site", ":row"
"""Columns beside the declared ones: whose file a row is in, and its number there, 1 below the header."""
_SPOILT_RECORDS = ("patient", "session", "visit", "complication", "graft_count")
_PLANTED_SCHEMA = {
    "file": pl.String,
    "row_number": pl.Int64,
    "field": pl.String,
    "mistake": pl.String,
    "rule": pl.String,
}


@dataclass(frozen=True)
class _Rows:
    """The rows of one record: which may still be spoilt, which were, and the row before in the same file (or -1)."""

    free: Bools
    spoilt: Bools
    previous: Ints
    listed: list[pl.DataFrame] = field(default_factory=list)


def plant(files: Mapping[str, pl.DataFrame], share: float, seed: int) -> tuple[dict[str, pl.DataFrame], pl.DataFrame]:
    """Files with mistakes in about that share of their rows, and the list of them.

    files: by record, all columns text, with SITE and ROW, rows of one site in file order. A row holds one mistake
    at most. Rows that belong to a spoilt patient or session stay as they are: they are held back with it.
    """
    spoilt_files, listed = dict(files), []
    lost: dict[str, pl.Series] = {}
    for name in _SPOILT_RECORDS:
        record = record_type(name)
        frame = spoilt_files[name]
        free = _parent_is_sound(record, frame, lost)
        frame, rows = _spoil(
            record, _with_session(frame, files["session"]), free, share, stream(seed, f"{name} mistakes")
        )
        lost[name] = files[name][record.key[0]].filter(pl.Series(rows.spoilt | ~free))
        spoilt_files[name] = frame.select(files[name].columns)
        listed += rows.listed
    planted = pl.concat(listed) if listed else pl.DataFrame(schema=_PLANTED_SCHEMA)
    return spoilt_files, planted.sort("file", "row_number")


def _parent_is_sound(record: RecordType, frame: pl.DataFrame, lost: Mapping[str, pl.Series]) -> Bools:
    if record.parent is None or record.parent_key is None:
        return np.ones(frame.height, dtype=np.bool_)
    return np.asarray(~frame[record.parent_key].is_in(lost[record.parent].implode()).to_numpy())


def _with_session(frame: pl.DataFrame, sessions: pl.DataFrame) -> pl.DataFrame:
    """The rows with what mistakes need to know of their session."""
    if "session_key" not in frame.columns or "performed_on" in frame.columns:
        return frame
    known = sessions.select(
        "session_key",
        pl.col("performed_on").alias(PERFORMED_ON),
        pl.col("grafts_total").alias(GRAFTS_TOTAL),
    )
    return frame.join(known, on="session_key", how="left", maintain_order="left")


def _spoil(
    record: RecordType, frame: pl.DataFrame, free: Bools, share: float, rng: Generator
) -> tuple[pl.DataFrame, _Rows]:
    """The record's mistakes, in equal numbers as far as there are rows for each."""
    before = frame.select(pl.int_range(pl.len(), dtype=pl.Int64).shift(1).over(SITE).fill_null(-1)).to_series()
    rows = _Rows(free.copy(), np.zeros(frame.height, dtype=np.bool_), before.to_numpy())
    mistakes = [mistake for mistake in MISTAKES if mistake.record == record.name]
    wanted = round(share * frame.height)
    for turn, position in enumerate(rng.permutation(len(mistakes))):
        number = wanted // len(mistakes) + (turn < wanted % len(mistakes))
        if number:
            frame = _plant_one(mistakes[position], number, frame, rows, rng)
    return frame, rows


def _plant_one(mistake: Mistake, number: int, frame: pl.DataFrame, rows: _Rows, rng: Generator) -> pl.DataFrame:
    if mistake.repeats_previous:
        chosen = _rows_to_repeat(number, rows, rng)
        touched = np.concatenate([chosen, rows.previous[chosen]])
    else:
        chosen = touched = _rows_that_fit(mistake.where, number, frame, rows, rng)
    rows.free[touched], rows.spoilt[touched] = False, True
    rows.listed.append(
        frame[np.sort(touched)].select(
            (pl.col(SITE) + pl.lit(f"/{mistake.record}.csv")).alias("file"),
            pl.col(ROW).cast(pl.Int64).alias("row_number"),
            pl.lit(mistake.field).alias("field"),
            pl.lit(mistake.kind).alias("mistake"),
            pl.lit(mistake.rule).alias("rule"),
        )
    )
    source = frame[rows.previous[chosen]] if mistake.repeats_previous else frame[chosen]
    return frame.with_columns(
        _with_values(frame[column], chosen, source.with_columns(value.cast(pl.String).alias(column))[column])
        for column, value in mistake.changes.items()
    )


def _rows_that_fit(where: pl.Expr, number: int, frame: pl.DataFrame, rows: _Rows, rng: Generator) -> Ints:
    """That many of the free rows that fit, or all of them: looked for among a few at first, among all if need be."""
    free = rng.permutation(np.nonzero(rows.free)[0])
    for among in (free[: 50 * number], free):
        fits = frame[among].select(where.fill_null(False)).to_series().to_numpy()
        if fits.sum() >= number:
            break
    return np.asarray(among[fits][:number])


def _rows_to_repeat(number: int, rows: _Rows, rng: Generator) -> Ints:
    """Rows that are free like the one before in their file; no row is before two of them or one of them itself."""
    fits = rows.free & (rows.previous >= 0) & rows.free[rows.previous]
    fits[::2] = False
    fits &= ~fits[rows.previous]
    candidates = np.nonzero(fits)[0]
    return np.asarray(rng.choice(candidates, size=min(number, len(candidates)), replace=False))


def _with_values(column: pl.Series, at: Ints, values: pl.Series) -> pl.Series:
    """The column with other values at those rows."""
    source = np.arange(len(column))
    source[at] = len(column) + np.arange(len(at))
    return pl.concat([column, values]).gather(pl.Series(source))
