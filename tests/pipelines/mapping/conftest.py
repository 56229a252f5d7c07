"""Sheets and mappings made on the spot."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Sequence

import polars as pl
import pytest

from pipelines.mapping import MappedTable, apply_mapping
from pipelines.mapping.load import parse_mapping
from pipelines.mapping.model import Mapping
from pipelines.sources import SourceSheet
from pipelines.sources.sheet import make_sheet

Rows = Sequence[Sequence[str | None]]
MakeSheet = Callable[..., SourceSheet]
MakeMapping = Callable[[str], Mapping]
Apply = Callable[..., list[MappedTable]]


def _sheet(
    header: Sequence[str],
    rows: Rows,
    *,
    file_name: str = "export.csv",
    sheet: str | None = None,
    has_number_cells: bool = False,
) -> SourceSheet:
    names = [f"c{position}" for position in range(len(header))]
    frame = pl.DataFrame(list(rows), schema=dict.fromkeys(names, pl.String), orient="row")
    return make_sheet(file_name, sheet, header, [frame], has_number_cells=has_number_cells)


def _mapping(text: str) -> Mapping:
    return parse_mapping(tomllib.loads(text), "A.toml", "digest")


@pytest.fixture(scope="session")
def make_sheet_of() -> MakeSheet:
    """A sheet from its header and rows."""
    return _sheet


@pytest.fixture(scope="session")
def mapping_of() -> MakeMapping:
    """A checked mapping from its text."""
    return _mapping


@pytest.fixture(scope="session")
def mapped() -> Apply:
    """What a mapping makes of one sheet, given as header and rows."""

    def apply(text: str, header: Sequence[str], rows: Rows, **about: object) -> list[MappedTable]:
        return apply_mapping([_sheet(header, rows, **about)], _mapping(text))  # type: ignore[arg-type]

    return apply
