"""Writing one table in each format. The same rows give the same bytes: files that carry a time get a fixed one."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from registry.errors import GraftledgerError, nearest

from .columns import UNKNOWN, WITHHELD, Column, Type
from .names import sas_names, stata_names
from .tables import Table

if TYPE_CHECKING:
    import polars as pl

_NO_YES = {0: "No", 1: "Yes"}
_STATA_MISSING = {UNKNOWN: "u", WITHHELD.name: "w"}
"""Extended missing values .u and .w; an empty value is the system's own."""
_SPSS_MISSING = {UNKNOWN: -1, WITHHELD.name: -2}
"""User-missing values; an empty value is the system's own."""
_ROW_GROUP = 2**18
"""Rows, so that how they were read does not show in the bytes."""
_FIRST_SECOND = re.compile(rb"\d{2} ?[A-Za-z]{3} ?\d{2,4}[ :]?\d{2}:\d{2}(:\d{2})?")


def in_files(frame: pl.LazyFrame, table: Table) -> pl.LazyFrame:
    """The frame as files hold it: yes and no as 1 and 0, codes with their names."""
    import polars as pl

    kinds = {
        column.name: pl.UInt8() if column.type is Type.YES_NO else pl.Enum([code.name for code in column.codes])
        for column in table.columns
        if column.type in (Type.YES_NO, Type.CODE)
    }
    return frame.cast(kinds)  # type: ignore[arg-type]


def write_csv(frame: pl.LazyFrame, table: Table, path: Path) -> None:
    """UTF-8 with a header; an empty value stands for a missing one."""
    frame.sink_csv(path)


def write_parquet(frame: pl.LazyFrame, table: Table, path: Path) -> None:
    """Parquet with zstandard compression; codes are categories that name every answer there is."""
    frame.sink_parquet(path, compression="zstd", statistics=True, row_group_size=_ROW_GROUP)


def write_dta(frame: pl.LazyFrame, table: Table, path: Path) -> None:
    """Stata 14 and later: codes as numbers with labels, `unknown` as .u and `withheld` as .w."""
    import polars as pl
    import pyreadstat

    names = stata_names([column.name for column in table.columns])
    data, labels = _numbered(frame.collect(), table, _STATA_MISSING)
    missing = {
        names[name]: [value for value in of_column if isinstance(value, str)]
        for name, of_column in labels.items()
        if data.schema[name] == pl.Object
    }
    pyreadstat.write_dta(
        data.rename(names),
        path,
        file_label=table.label[:80],
        column_labels=[column.label[:80] for column in table.columns],
        version=14,
        variable_value_labels={names[name]: of_column for name, of_column in labels.items()},
        missing_user_values=missing,
    )
    _fix_time(path, b"01 Jan 2000 00:00")


def write_sav(frame: pl.LazyFrame, table: Table, path: Path) -> None:
    """SPSS: codes as numbers with labels, `unknown` as -1 and `withheld` as -2, both user-missing."""
    import pyreadstat

    data, labels = _numbered(frame.collect(), table, _SPSS_MISSING)
    missing = {name: [value for value in of_column if value < 0] for name, of_column in labels.items()}
    coded = (Type.CODE, Type.YES_NO, Type.TEXT)
    pyreadstat.write_sav(
        data,
        path,
        file_label=table.label[:64],
        column_labels=[column.label[:250] for column in table.columns],
        row_compress=True,
        variable_value_labels=labels,
        missing_ranges={name: values for name, values in missing.items() if values},
        variable_measure={c.name: "nominal" if c.type in coded else "scale" for c in table.columns},
    )
    _fix_time(path, b"01 Jan 0000:00:00")


def write_xpt(frame: pl.LazyFrame, table: Table, path: Path) -> None:
    """SAS transport, version 5: codes as text, since the format holds neither value labels nor such missing values."""
    import pyreadstat

    names = sas_names([column.name for column in table.columns])
    data = _plain(frame.collect(), table)
    pyreadstat.write_xport(
        data.rename(names),
        path,
        file_label=table.label[:40],
        column_labels=[column.label[:40] for column in table.columns],
        table_name=table.sas_name,
        file_format_version=5,
    )
    _fix_time(path, b"01JAN00:00:00:00")


FORMATS: Mapping[str, Callable[[Any, Table, Path], None]] = {
    "csv": write_csv,
    "parquet": write_parquet,
    "dta": write_dta,
    "sav": write_sav,
    "xpt": write_xpt,
}
"""Every format by the ending of its files."""
IN_MEMORY = ("dta", "sav", "xpt")
"""Formats for which a table must be in memory at once."""


def formats_named(names: list[str]) -> tuple[str, ...]:
    """Formats in a fixed order; CSV is always among them, since the package's schema describes it.

    Raises: GraftledgerError for one that is none.
    """
    for name in names:
        if name not in FORMATS:
            raise GraftledgerError(f"There is no format '{name}'. {nearest(name, list(FORMATS))}")
    return tuple(name for name in FORMATS if name == "csv" or name in names)


def _plain(frame: pl.DataFrame, table: Table) -> pl.DataFrame:
    """Columns as pyreadstat takes them: text, numbers, or dates."""
    import polars as pl

    kinds = dict.fromkeys((Type.YES_NO, Type.INTEGER, Type.NUMBER), pl.Float64) | {Type.CODE: pl.String}
    return frame.cast({c.name: kinds[c.type] for c in table.columns if c.type in kinds})


def _numbered(
    frame: pl.DataFrame, table: Table, missing: Mapping[str, int | str]
) -> tuple[pl.DataFrame, dict[str, dict[Any, str]]]:
    """The same with codes as numbers, and the labels of those numbers by column."""
    import polars as pl

    data: list[pl.Series] = []
    labels: dict[str, dict[Any, str]] = {}
    for column, values in zip(table.columns, _plain(frame, table).iter_columns(), strict=True):
        if column.type is Type.YES_NO:
            labels[column.name] = dict(_NO_YES)
        if column.type is not Type.CODE:
            data.append(values)
            continue
        numbers = code_numbers(column, missing)
        meanings = {code.name: code.meaning for code in column.codes}
        labels[column.name] = {number: meanings[name][:120] for name, number in numbers.items()}
        letters = [name for name, number in numbers.items() if isinstance(number, str)]
        if values.is_in(letters).any():  # pyreadstat takes letters among numbers as objects alone
            data.append(pl.Series(column.name, [numbers.get(value) for value in values], dtype=pl.Object))
        else:
            only = {name: number for name, number in numbers.items() if not isinstance(number, str)}
            data.append(values.replace_strict(only, default=None, return_dtype=pl.Float64))
            labels[column.name] = {number: meanings[name][:120] for name, number in only.items()}
    return pl.DataFrame(data), labels


def code_numbers(column: Column, missing: Mapping[str, int | str]) -> dict[str, int | str]:
    """The number of each code in the order of its list, from 1; those that stand for a missing value get theirs."""
    counted = [code.name for code in column.codes if code.name not in missing]
    held = {code.name: missing[code.name] for code in column.codes if code.name in missing}
    return {name: number for number, name in enumerate(counted, start=1)} | held


def _fix_time(path: Path, fixed: bytes) -> None:
    """Put one and the same time where the format's header has the time of writing."""
    with path.open("r+b") as file:
        head = file.read(600)
        file.seek(0)
        file.write(_FIRST_SECOND.sub(lambda found: fixed if len(found[0]) == len(fixed) else found[0], head))
