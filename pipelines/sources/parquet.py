"""Parquet, its values turned into the text that a CSV file would hold.

Dates become YYYY-MM-DD, booleans yes and no, whole numbers lose a decimal point, lists are joined by ';', and what
is not a number counts as empty.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import polars as pl

from registry import Fault, GraftledgerError
from registry.definition import SET_SEPARATOR

from .limits import check_extent, check_text_bytes
from .sheet import SourceSheet, clean_values, make_sheet

_BATCH_ROWS = 50_000


def read(path: Path, label: str, encoding: str | None = None) -> list[SourceSheet]:
    """The one sheet of the file. Raises: GraftledgerError where it is broken, has no rows or holds other types."""
    with _opened(path, label) as parquet:
        schema = parquet.schema_arrow
        names = schema.names
        unreadable = [position for position, kind in enumerate(schema.types, start=1) if not _has_text(kind)]
        if unreadable:
            raise GraftledgerError(
                *(
                    Fault(
                        "the column holds neither text, numbers, dates nor yes and no.",
                        label,
                        field=f"column {position}",
                    )
                    for position in unreadable
                )
            )
        check_extent(parquet.metadata.num_rows, len(names), label)
        sheet = make_sheet(
            label, None, names, map(clean_values, _frames(parquet, len(names), label)), has_number_cells=True
        )
    if sheet.frame.is_empty():
        raise GraftledgerError(Fault("the file has no rows.", label, mend="Leave it out, or send it with its rows."))
    return [sheet]


def _frames(parquet: Any, width: int, label: str) -> Iterator[pl.DataFrame]:
    import pyarrow as pa

    names = [f"c{position}" for position in range(width)]
    size = 0
    try:
        for batch in parquet.iter_batches(batch_size=_BATCH_ROWS):
            batch.validate(full=True)
            size += batch.nbytes
            check_text_bytes(size, label)
            frame = pl.from_arrow(pa.table(batch.columns, names=names))
            assert isinstance(frame, pl.DataFrame)
            yield frame.select(_as_text(frame[name]) for name in names)
    except (pa.ArrowException, pl.exceptions.PolarsError):
        raise _damaged(label) from None
    except OSError as error:
        if error.errno is not None:
            raise
        raise _damaged(label) from None


def _opened(path: Path, label: str) -> Any:
    import pyarrow as pa
    from pyarrow import parquet

    try:
        return parquet.ParquetFile(path)
    except (pa.ArrowException, UnicodeDecodeError):  # the latter for a column name that is not UTF-8
        raise _damaged(label) from None
    except OSError as error:
        if error.errno is not None:
            raise
        raise _damaged(label) from None


def _damaged(label: str) -> GraftledgerError:
    return GraftledgerError(
        Fault("this is not a Parquet file, or it is damaged or cut off.", label, mend="Write it again and send it.")
    )


def _has_text(kind: Any) -> bool:
    from pyarrow import types

    if types.is_dictionary(kind) or types.is_list(kind) or types.is_large_list(kind):
        kind = kind.value_type
        return bool(types.is_string(kind) or types.is_large_string(kind))
    return any(
        is_kind(kind)
        for is_kind in (
            types.is_string,
            types.is_large_string,
            types.is_string_view,
            types.is_boolean,
            types.is_integer,
            types.is_floating,
            types.is_decimal,
            types.is_date,
            types.is_timestamp,
            types.is_null,
        )
    )


def _as_text(values: pl.Series) -> pl.Series:
    kind = values.dtype
    if kind == pl.Boolean:
        return values.replace_strict({True: "yes", False: "no"}, return_dtype=pl.String)
    if kind.is_float():
        return values.fill_nan(None).cast(pl.String).str.replace(r"\.0$", "")
    if kind.is_decimal():
        return values.cast(pl.String).str.replace(r"(\.\d*?)0+$", "${1}").str.replace(r"\.$", "")
    if isinstance(kind, pl.Datetime):
        return (
            values.dt.replace_time_zone(None)
            .dt.to_string("iso")
            .str.replace("T", " ")
            .str.replace(r" 00:00:00(\.0+)?$", "")
        )
    if isinstance(kind, pl.List):
        return values.list.join(SET_SEPARATOR)
    return values.cast(pl.String)
