"""Messy exports and their mappings: what is mapped is what was exported. The other direction is code of its own."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import polars as pl
import pytest

from pipelines.identifiers import TableFacts, find_identifiers
from pipelines.mapping import MappedTable, apply_mapping, load_mapping, read_sheets
from registry import RECORD_TYPES, Settings
from registry.definition import Kind
from synthetic_data import SITES, SURGEONS, synthesise
from synthetic_data.messy_exports import MESSY_SITES, mapping_text, write_messy_export

SETTINGS = Settings("Practice", SITES, SURGEONS)


@pytest.fixture(scope="module")
def clean(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, pl.DataFrame]]:
    """The records of each messy site in the registry's own layout, without mistakes."""
    return _records(tmp_path_factory.mktemp("clean"), errors=0.0)


@pytest.fixture(scope="module")
def spoilt(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, pl.DataFrame]]:
    return _records(tmp_path_factory.mktemp("spoilt"), errors=0.05)


def _records(folder: Path, errors: float) -> dict[str, dict[str, pl.DataFrame]]:
    synthesise(folder, patients=600, seed=3, errors=errors)
    return {
        site: {path.stem: pl.read_csv(path, infer_schema=False) for path in sorted((folder / site).glob("*.csv"))}
        for site in MESSY_SITES
    }


def _mapped(site: str, records: Mapping[str, pl.DataFrame], folder: Path) -> list[MappedTable]:
    (folder / f"{site}.toml").write_text(mapping_text(site), encoding="utf-8")
    mapping = load_mapping(folder / f"{site}.toml", SETTINGS)
    (folder / "export").mkdir()
    paths = write_messy_export(site, records, folder / "export")
    return apply_mapping(read_sheets(paths, mapping), mapping)


def _typed(frame: pl.DataFrame, record_name: str) -> pl.DataFrame:
    """Numbers as numbers, so that 4.0 and 4 are the same; in the order of the keys."""
    record = next(record for record in RECORD_TYPES if record.name == record_name)
    numbers = [field.name for field in record.fields if field.kind in (Kind.INTEGER, Kind.NUMBER)]
    return frame.select(record.field_names).with_columns(pl.col(numbers).cast(pl.Float64).round(6)).sort(record.key)


@pytest.mark.parametrize("site", MESSY_SITES)
def test_a_mapped_export_gives_back_the_records(
    tmp_path: Path, clean: dict[str, dict[str, pl.DataFrame]], site: str
) -> None:
    tables = _mapped(site, clean[site], tmp_path)
    assert sum(table.faults.height for table in tables) == 0
    for name, frame in clean[site].items():
        assert frame.height > 0
        back = pl.concat([table.frame for table in tables if table.record.name == name])
        assert _typed(back, name).equals(_typed(frame, name)), name


@pytest.mark.parametrize("site", MESSY_SITES)
def test_mistakes_come_through_and_no_row_is_lost(
    tmp_path: Path, spoilt: dict[str, dict[str, pl.DataFrame]], site: str
) -> None:
    tables = _mapped(site, spoilt[site], tmp_path)
    assert sum(table.faults.height for table in tables) > 0
    for name, frame in spoilt[site].items():
        back = pl.concat([table.frame for table in tables if table.record.name == name])
        assert back.height == frame.height, name


@pytest.mark.parametrize("site", MESSY_SITES)
def test_an_export_identifies_nobody(tmp_path: Path, clean: dict[str, dict[str, pl.DataFrame]], site: str) -> None:
    paths = write_messy_export(site, clean[site], tmp_path)
    for sheet in read_sheets(paths):
        facts = TableFacts(header=sheet.header, row_numbers=sheet.row_numbers, site_codes=SITES, surgeon_codes=SURGEONS)
        assert find_identifiers(sheet.frame, file_name=sheet.file_name, sheet=sheet.sheet, facts=facts) == []


def test_the_exports_are_messy_in_different_ways(tmp_path: Path, clean: dict[str, dict[str, pl.DataFrame]]) -> None:
    (workbook,) = write_messy_export("LANTERN", clean["LANTERN"], tmp_path)
    sheets = {sheet.sheet: sheet for sheet in read_sheets([workbook])}
    dates = sheets["Eingriffe"].frame["OP-Datum"]
    assert dates.str.contains(r"^\d{4}-\d\d-\d\d$").any()
    assert dates.str.contains(r"^\d\d\.\d\d\.\d{4}$").any()
    assert sheets["Eingriffe"].frame["Kompl. 1 Art"].null_count() < sheets["Eingriffe"].frame.height
    texts = write_messy_export("QUARRY", clean["QUARRY"], tmp_path)
    assert all(path.read_bytes().decode("windows-1252") for path in texts)
    (visits,) = (path for path in texts if path.name == "visites.csv")
    with pytest.raises(UnicodeDecodeError):
        visits.read_bytes().decode("utf-8")


def test_the_same_records_give_the_same_bytes(tmp_path: Path, clean: dict[str, dict[str, pl.DataFrame]]) -> None:
    for site in MESSY_SITES:
        one, two = tmp_path / f"{site}1", tmp_path / f"{site}2"
        one.mkdir()
        two.mkdir()
        for first, second in zip(
            write_messy_export(site, clean[site], one), write_messy_export(site, clean[site], two), strict=True
        ):
            assert first.read_bytes() == second.read_bytes()


def test_complications_without_room_go_to_a_sheet_of_their_own(
    tmp_path: Path, clean: dict[str, dict[str, pl.DataFrame]]
) -> None:
    """Three stand beside their session; a fourth and a fifth, and one of an unknown session, do not."""
    records = dict(clean["LANTERN"])
    session = records["session"]["session_key"][0]
    one = records["complication"].head(1).with_columns(session_key=pl.lit(session))
    six = pl.concat([one.with_columns(complication_key=pl.lit(f"key{number:017d}")) for number in range(6)])
    unknown = pl.Series([session] * 5 + ["unknown0000000000000"])
    records["complication"] = six.with_columns(session_key=unknown)
    tables = [table for table in _mapped("LANTERN", records, tmp_path) if table.record.name == "complication"]
    assert [table.frame.height for table in tables] == [3, 3]
    back = pl.concat([table.frame for table in tables])
    assert _typed(back, "complication").equals(_typed(records["complication"], "complication"))
