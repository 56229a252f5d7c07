"""What a mapping would make of files, without loading anything: how many records, and what stands in their way."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import polars as pl

from registry.definition import Field, Kind

from .apply import MappedTable
from .faults import REASONS

_ROWS_SHOWN = 5


def check_lines(tables: Sequence[MappedTable]) -> list[str]:
    """The records of each sheet and their faults, one line each, for a terminal."""
    lines = []
    for table in tables:
        sheet = f", sheet {table.sheet}" if table.sheet else ""
        lines.append(f"{table.frame.height:,} {table.record.plural} from {table.file_name}{sheet}")
        lines += [f"  {line}" for line in (*_conversion_lines(table), *_content_lines(table))]
    return lines


def faulty_rows(table: MappedTable) -> int:
    """Records with a value that could not be mapped."""
    return table.faults["position"].n_unique()


def _conversion_lines(table: MappedTable) -> Iterator[str]:
    """Values that could not be mapped, by column and rule; their rows would be held back."""
    groups = (
        table.faults.sort("row_number")
        .group_by("field", "column", "rule", maintain_order=True)
        .agg(pl.len().alias("count"), pl.col("row_number").unique(maintain_order=True).head(_ROWS_SHOWN).alias("rows"))
        .rows()
    )
    for name, column, rule, count, rows in groups:
        reason, mend = REASONS[rule]
        yield f"{column} -> {name}: {reason} ({_times(count, rows)}). {mend}"


def _content_lines(table: MappedTable) -> Iterator[str]:
    """Values that are mapped, yet cannot be right: required and empty, out of range, no pseudonym."""
    faulty = table.faults.select(pl.col("field"), pl.col("position").cast(pl.Int64))
    for declared in table.record.fields:
        values = table.frame[declared.name]
        known = faulty.filter(pl.col("field") == declared.name)["position"]
        if declared.required:
            empty = values.is_null() & ~pl.int_range(values.len(), eager=True).is_in(known.implode())
            if count := int(empty.sum()):
                rows = table.frame["row_number"].filter(empty).unique(maintain_order=True).head(_ROWS_SHOWN).to_list()
                yield f"{declared.name}: required, and empty ({_times(count, rows)})."
        wrong = _wrong(values, declared)
        if wrong is not None and (count := int(wrong.sum())):
            rows = table.frame["row_number"].filter(wrong).unique(maintain_order=True).head(_ROWS_SHOWN).to_list()
            hint = " Is the unit right?" if declared.unit else ""
            yield f"{declared.name}: not {declared.allowed} ({_times(count, rows)} of {_count(values):,} values).{hint}"


def _wrong(values: pl.Series, declared: Field) -> pl.Series | None:
    match declared.kind:
        case Kind.INTEGER | Kind.NUMBER:
            assert declared.low is not None
            assert declared.high is not None
            number = values.cast(pl.Float64, strict=False)
            return ~number.is_between(declared.low, declared.high).fill_null(True)
        case Kind.PSEUDONYM:
            assert declared.pattern is not None
            return ~values.str.contains(declared.pattern).fill_null(True)
        case _:
            return None


def _count(values: pl.Series) -> int:
    return values.len() - values.null_count()


def _times(count: int, rows: Sequence[int]) -> str:
    shown = ", ".join(map(str, rows)) + (", ..." if count > len(rows) else "")
    return f"{count:,}; row{'s' if len(rows) > 1 else ''} {shown}"
