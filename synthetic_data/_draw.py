"""Random draws: whole arrays at a time, the same for the same seed."""

from __future__ import annotations

import zlib
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import polars as pl
from numpy.random import Generator
from numpy.typing import NDArray
from polars._typing import PolarsDataType

from registry.definition import record_type

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

NEVER = 1_000_000
"""A day that never comes: later than any day of the records, early enough to add to."""

_KEY_LETTERS = np.frombuffer(b"abcdefghjkmnpqrstuvwxyz023456789", dtype=np.uint8)
_KEY_LENGTH = 20


def stream(seed: int, name: str) -> Generator:
    """A generator of its own for each purpose, so that one purpose does not shift the draws of another."""
    return np.random.default_rng([seed, zlib.crc32(name.encode())])


def keys(rng: Generator, count: int) -> pl.Series:
    """Pseudonyms of 20 letters and digits, 100 random bits each."""
    import pyarrow as pa

    letters = _KEY_LETTERS[rng.integers(0, len(_KEY_LETTERS), size=(count, _KEY_LENGTH), dtype=np.uint8)]
    offsets = np.arange(count + 1, dtype=np.int64) * _KEY_LENGTH
    text = pa.LargeStringArray.from_buffers(count, pa.py_buffer(offsets.tobytes()), pa.py_buffer(letters.tobytes()))
    series = pl.from_arrow(text)
    assert isinstance(series, pl.Series)
    return series


def pick(rng: Generator, count: int, shares: Sequence[float]) -> Ints:
    """Positions drawn with the given relative shares."""
    cumulated = np.cumsum(np.asarray(shares, dtype=np.float64))
    position = np.searchsorted(cumulated, rng.random(count) * cumulated[-1], side="right")
    return np.asarray(np.minimum(position, len(cumulated) - 1), dtype=np.int64)


def pick_by_row(rng: Generator, shares: Floats) -> Ints:
    """Positions drawn with relative shares of each row's own; shares: one row a draw."""
    cumulated = np.cumsum(shares, axis=1)
    drawn = rng.random(len(shares)) * cumulated[:, -1]
    position = (drawn[:, None] >= cumulated).sum(axis=1)
    return np.asarray(np.minimum(position, shares.shape[1] - 1), dtype=np.int64)


def chance(rng: Generator, log_odds: Floats) -> Bools:
    """True with the probability that each log odds stands for."""
    return np.asarray(rng.random(len(log_odds)) < 1.0 / (1.0 + np.exp(-log_odds)))


def nullable(values: NDArray[Any], missing: Bools, dtype: Any = None) -> pl.Series:
    """A column that is empty where missing."""
    frame = pl.DataFrame({"value": pl.Series(values, dtype=dtype), "missing": missing})
    return frame.select(pl.when(~pl.col("missing")).then(pl.col("value")).alias("value")).to_series()


def day_column(days: Ints, missing: Bools | None = None) -> pl.Series:
    """A column of dates from days since 1970-01-01."""
    empty = np.zeros(len(days), dtype=np.bool_) if missing is None else missing
    return nullable(np.where(empty, 0, days).astype(np.int32), empty).cast(pl.Date)


def labels(names: Sequence[Any], positions: Ints, missing: Bools | None = None, dtype: Any = pl.String) -> pl.Series:
    """A column of the names at these positions, empty where missing."""
    at = positions if missing is None else np.where(missing, len(names), positions)
    return pl.Series([*names, None], dtype=dtype).gather(pl.Series(at, dtype=pl.Int64))


def checked_codes(record: str, field: str, names: Sequence[str]) -> tuple[str, ...]:
    """The names, once it is certain that each is a code of the field. Raises ValueError where one is not."""
    declared = record_type(record).field(field).codes
    unknown = set(names) - set(declared.names if declared else ())
    if unknown:
        raise ValueError(f"{record}.{field} has no code {sorted(unknown)}")
    return tuple(names)


def code_column(
    rng: Generator, count: int, record: str, field: str, shares: Mapping[str, float], missing_share: float = 0.0
) -> pl.Series:
    """A column of codes drawn with the given shares, empty for a share of the rows."""
    names = checked_codes(record, field, list(shares))
    return labels(names, pick(rng, count, list(shares.values())), rng.random(count) < missing_share)


_COLUMN_TYPES: Mapping[str, PolarsDataType] = {
    "varchar": pl.String,
    "boolean": pl.Boolean,
    "date": pl.Date,
    "integer": pl.Int32,
    "double": pl.Float64,
    "varchar[]": pl.List(pl.String),
}


def declared_columns(record: str, frame: pl.DataFrame) -> pl.DataFrame:
    """All declared columns in the definition's order and types; those that the frame lacks are empty."""
    return frame.select(
        (pl.col(field.name) if field.name in frame.columns else pl.lit(None).alias(field.name)).cast(
            _COLUMN_TYPES[field.sql_type]
        )
        for field in record_type(record).fields
    )
