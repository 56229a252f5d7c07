"""Mapped records as files: a value that could not be mapped is marked, listed by its place, and never lost."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from pipelines.mapping import UNREADABLE, MappedTable, apply_mapping, load_mapping, read_sheets
from pipelines.mapping.writing import faults_path, write_records
from registry.definition import RECORD_TYPES, record_type
from registry.errors import GraftledgerError
from synthetic_data import simulate
from synthetic_data._planting import SITE
from synthetic_data.messy_exports import MESSY_SITES, mapping_text, write_messy_export
from synthetic_data.writing import _by_site

SITE_PERIOD = record_type("site_period")


def table(rows: list[tuple[int, str]], faulty: list[int]) -> MappedTable:
    """Site declarations of these source rows and quarters, `records_complete_to` faulty at these positions."""
    frame = pl.DataFrame(
        {
            "row_number": [row for row, _ in rows],
            "site_code": ["A"] * len(rows),
            "quarter": [quarter for _, quarter in rows],
            "sessions_declared": ["1"] * len(rows),
            "records_complete_to": [None if at in faulty else "2020-12-31" for at in range(len(rows))],
        },
        schema_overrides={"records_complete_to": pl.String},
    )
    faults = pl.DataFrame(
        {
            "position": faulty,
            "row_number": [rows[at][0] for at in faulty],
            "field": ["records_complete_to"] * len(faulty),
            "column": ["Vollständig bis"] * len(faulty),
            "rule": ["no_such_date"] * len(faulty),
        },
        schema_overrides={"position": pl.Int64, "row_number": pl.Int64},
    )
    return MappedTable(SITE_PERIOD, "periods.xlsx", "Q", frame, faults, "0" * 64, "0" * 64)


def test_faulty_values_are_marked_and_listed(tmp_path: Path) -> None:
    first = table([(1, "2020-Q1"), (4, "2020-Q2")], [])
    second = table([(2, "2020-Q3"), (9, "2020-Q4")], [1])
    paths = write_records([first, second], tmp_path / "new")
    assert [path.name for path in paths] == ["site_period.csv"]
    written = pl.read_csv(paths[0], infer_schema=False)
    assert written["records_complete_to"].to_list() == ["2020-12-31"] * 3 + [UNREADABLE]
    assert written["quarter"].to_list() == ["2020-Q1", "2020-Q2", "2020-Q3", "2020-Q4"]
    (fault,) = pl.read_csv(faults_path(tmp_path / "new")).rows(named=True)
    assert (fault["sheet"], fault["row"], fault["column"]) == ("Q", 9, "Vollständig bis")
    assert (fault["written_file"], fault["written_row"]) == ("site_period.csv", 4)
    assert fault["reason"] == "there is no such day in the calendar"


def test_nothing_is_overwritten_and_nothing_left_behind(tmp_path: Path) -> None:
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "mine.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(GraftledgerError, match="not empty"):
        write_records([table([(1, "2020-Q1")], [])], tmp_path / "full")
    assert [path.name for path in (tmp_path / "full").iterdir()] == ["mine.txt"]
    assert [path.name for path in tmp_path.iterdir()] == ["full"]


@pytest.mark.parametrize("field", SITE_PERIOD.field_names)
def test_no_field_allows_the_mark(field: str) -> None:
    declared = SITE_PERIOD.field(field)
    assert declared.pattern is None or pl.Series([UNREADABLE]).str.contains(declared.pattern).to_list() == [False]


@pytest.mark.parametrize("site", MESSY_SITES)
def test_a_messy_export_is_written_as_the_records_it_came_from(site: str, tmp_path: Path) -> None:
    clean = {name: frame.filter(pl.col(SITE) == site) for name, frame in _by_site(simulate(60, 3).frames).items()}
    (tmp_path / "export").mkdir()
    write_messy_export(site, clean, tmp_path / "export")
    mapping = tmp_path / f"{site}.toml"
    mapping.write_text(mapping_text(site), encoding="utf-8")
    loaded = load_mapping(mapping)
    paths = write_records(apply_mapping(read_sheets([tmp_path / "export"], loaded), loaded), tmp_path / "records")
    heights = {path.stem: pl.read_csv(path, infer_schema=False).height for path in paths}
    assert heights == {record.name: clean[record.name].height for record in RECORD_TYPES if clean[record.name].height}
