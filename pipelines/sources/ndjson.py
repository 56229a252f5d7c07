"""NDJSON: one JSON object a line, its keys the column names, in the order in which they first appear.

Numbers stay as they are written, true and false become yes and no, null and what is no number (NaN) are empty, and
a list of plain values is joined by ';'. The first line is row 1.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from typing import Any

import polars as pl

from registry import Fault, GraftledgerError
from registry.definition import SET_SEPARATOR

from .encodings import text_blocks
from .limits import MAX_RECORD_CHARACTERS, check_extent
from .sheet import SourceSheet, clean_values, make_sheet, tidy_name

_BATCH_ROWS = 20_000
_MEND = "Write one JSON object a line, in UTF-8."


def read(path: Path, label: str, encoding: str | None = None) -> list[SourceSheet]:
    """The one sheet of the file. Raises: GraftledgerError where a line is no flat JSON object."""
    names: dict[str, None] = {}
    blocks = []
    rows = _objects(_lines(text_blocks(path, encoding or "utf-8-sig", label), label), label)
    row_count = 0
    while batch := list(islice(rows, _BATCH_ROWS)):
        row_count += len(batch)
        for row in batch:
            names.update(dict.fromkeys(row))
        check_extent(row_count, len(names), label)
        blocks.append(pl.DataFrame(batch, schema=dict.fromkeys(names, pl.String)))
    blocks = [
        block.with_columns(pl.lit(None, pl.String).alias(name) for name in names if name not in block.columns).select(
            list(names)
        )
        for block in blocks
    ]
    sheet = make_sheet(label, None, names, map(clean_values, blocks), has_number_cells=True)
    if sheet.frame.is_empty():
        raise GraftledgerError(Fault("the file has no rows.", label, mend="Leave it out, or send it with its rows."))
    return [sheet]


def _lines(blocks: Iterator[str], label: str) -> Iterator[str]:
    rest = ""
    for text in blocks:
        *lines, rest = (rest + text).split("\n")
        if len(rest) > MAX_RECORD_CHARACTERS:
            raise GraftledgerError(Fault("a line is longer than a million characters.", label, mend=_MEND))
        yield from lines
    if rest:
        yield rest


def _objects(lines: Iterator[str], label: str) -> Iterator[dict[str, str | None]]:
    for row, line in enumerate(lines, start=1):
        if not line.strip():
            yield {}
            continue
        try:
            found = json.loads(
                line, parse_float=str, parse_int=str, parse_constant=lambda _: None, object_pairs_hook=_named_once
            )
            if not isinstance(found, dict):
                raise ValueError
            yield {name: _text(value) for name, value in found.items()}
        except (ValueError, RecursionError):
            raise GraftledgerError(
                Fault("the line is no JSON object of plain values with each name once.", label, row=row, mend=_MEND)
            ) from None


def _named_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    tidied = {tidy_name(name): value for name, value in pairs}
    if len(tidied) != len(pairs):
        raise ValueError
    return tidied


def _text(value: Any) -> str | None:
    if value is None:
        return None
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        value.encode()  # refuses halves of a surrogate pair
        return value
    if isinstance(value, list) and not any(isinstance(item, list | dict) for item in value):
        return SET_SEPARATOR.join(text for item in value if (text := _text(item)) is not None)
    raise ValueError
