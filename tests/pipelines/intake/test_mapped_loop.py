"""A site with columns of its own: through its mapping, held back, out as a workbook in its columns, and back again.

Every expectation is *by hand*.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipelines.held_back import Entry, entries, export_workbooks
from pipelines.intake import IntakeReport, retry_held_back, run_intake
from pipelines.mapping import load_mapping
from registry import GraftledgerError, open_registry
from tests.pipelines.intake.sound_rows import TODAY

MAPPING = """
site = "A"
date_format = "%d.%m.%Y"

[[source]]
file = "cases*.csv"
drop = ["Floor"]

[source.patient]
patient_key = "Pseudonym"
site_code.value = "A"
enrolled_on = "Operation day"
status_at_last_contact.value = "in_follow_up"

[source.session]
session_key.key_of = ["patient_key", "performed_on"]
patient_key = "Pseudonym"
site_code.value = "A"
surgeon_code = "Operator"
session_number.value = "1"
performed_on = "Operation day"
session_reason.value = "first_restoration"
technique.column = "Method"
technique.codes.FUT = "strip"
technique.codes.FUE = "follicular_unit_excision"
grafts_total = "Grafts"
"""
HEADER = ["Pseudonym", "Operator", "Operation day", "Method", "Grafts", "Floor"]
KEYS = [f"a9f3c7e1b5d2{number:04}x8k2" for number in range(1, 5)]


def case(number: int, method: str = "FUT", grafts: str = "2000", operator: str = "S1") -> list[str]:
    return [KEYS[number - 1], operator, f"0{number}.03.2020", method, grafts, "7"]


def write_cases(path: Path, rows: list[list[str]]) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("\n".join(";".join(row) for row in [HEADER, *rows]) + "\n", encoding="utf-8")
    return path


@pytest.fixture
def site(empty_registry: Path) -> Path:
    (empty_registry / "mappings").mkdir()
    (empty_registry / "mappings" / "A.toml").write_text(MAPPING, encoding="utf-8")
    return empty_registry


def take(folder: Path, *paths: Path) -> IntakeReport:
    with open_registry(folder, read_only=False) as registry:
        mapping = load_mapping(folder / "mappings" / "A.toml", registry.settings)
        return run_intake(registry, paths, mapping=mapping, today=TODAY, received_by="test")


def open_entries(folder: Path) -> list[Entry]:
    with open_registry(folder) as registry:
        return list(entries(registry, unsettled=True))


def query(folder: Path, sql: str) -> list[tuple[Any, ...]]:
    with open_registry(folder) as registry:
        return registry.connection.execute(sql).fetchall()


def mended(workbook: Path, out: Path, **changes: str) -> Path:
    """The workbook as a site sends it back, with cells changed in every row."""
    import xlsxwriter  # type: ignore[import-untyped]

    with xlsxwriter.Workbook(str(out)) as book:
        for name, frame in pl.read_excel(workbook, sheet_id=0, infer_schema_length=0).items():
            page = book.add_worksheet(name)
            page.write_row(0, 0, frame.columns)
            for at, row in enumerate(frame.iter_rows(named=True), start=1):
                page.write_row(at, 0, [value or "" for value in (row | changes).values()])
    return out


def test_there_and_back(site: Path, tmp_path: Path) -> None:
    """Case 1 is sound; of case 2 the mapping knows no method; case 3 has too many grafts. Their patients are sound."""
    file = write_cases(tmp_path / "cases_march.csv", [case(1), case(2, "laser"), case(3, grafts="20000")])
    report = take(site, file)
    assert {file.record: (file.read, file.loaded, file.held_back) for file in report.files} == {
        "patient": (3, 3, 0),
        "session": (3, 1, 2),
    }
    laser, many = open_entries(site)
    assert [(reason.rule, reason.field) for reason in laser.reasons] == [("unknown_code", "technique")]
    assert [(reason.rule, reason.field) for reason in many.reasons] == [("out_of_range", "grafts_total")]
    found = query(
        site, "select rows_judged, rows_failed from validation_result where reason like 'the mapping has no%'"
    )
    assert found == [(3, 1)]  # it notes failures alone, so it has judged all three
    assert (laser.file, laser.row, laser.site) == ("cases_march.csv", 2, "A")
    assert json.loads(laser.source_content or "") == dict(zip(HEADER, case(2, "laser"), strict=True))
    assert "technique" not in json.loads(laser.content)

    with open_registry(site) as registry:
        (workbook,) = export_workbooks(registry, tmp_path / "out")
    sheet = pl.read_excel(workbook.path, infer_schema_length=0)
    assert sheet.columns[3:] == HEADER
    assert sheet["held_back_entry"].to_list() == ["1", "2"]
    assert sheet["Method"].to_list() == ["laser", "FUT"]

    back = take(site, mended(workbook.path, tmp_path / "back.xlsx", Method="FUE", Grafts="1500"))
    assert {file.record: (file.loaded, file.unchanged, file.held_back) for file in back.files} == {
        "patient": (0, 2, 0),
        "session": (2, 0, 0),
    }
    assert back.entries_closed == {"corrected": 2}
    assert open_entries(site) == []
    assert query(site, "select technique, grafts_total from session order by performed_on") == [
        ("strip", 2000),
        ("follicular_unit_excision", 1500),
        ("follicular_unit_excision", 1500),
    ]


def test_a_retry_leaves_rows_that_lack_a_value_their_mapping_could_not_read(site: Path, tmp_path: Path) -> None:
    """Without its grafts a session elsewhere would pass, and lose them."""
    take(site, write_cases(tmp_path / "cases.csv", [case(1, "laser"), case(2, operator="S9")]))
    assert len(open_entries(site)) == 2
    settings = site / "settings.toml"
    settings.write_text(settings.read_text(encoding="utf-8").replace('"S2"', '"S2", "S9"'), encoding="utf-8")
    with open_registry(site, read_only=False) as registry:
        report = retry_held_back(registry, today=TODAY, received_by="test")
    assert [(count.judged, count.loaded) for count in report.returned] == [(1, 1)]
    assert [entry.row for entry in open_entries(site)] == [1]
    mapping = site / "mappings" / "A.toml"
    mapping.write_text(MAPPING + 'technique.codes.laser = "combined"\n', encoding="utf-8")
    again = take(site, tmp_path / "cases.csv")
    assert again.entries_closed == {"corrected": 1}
    assert open_entries(site) == []


def test_the_same_file_through_another_mapping_is_not_the_same_delivery(site: Path, tmp_path: Path) -> None:
    """The first mapping took FUT for a strip; mended, it is combined: a correction, though the bytes are the same."""
    file = write_cases(tmp_path / "cases.csv", [case(1)])
    take(site, file)
    mapping = site / "mappings" / "A.toml"
    mapping.write_text(MAPPING.replace('FUT = "strip"', 'FUT = "combined"'), encoding="utf-8")
    assert [file.corrected for file in take(site, file).files] == [0, 1]
    mapping.write_text(MAPPING, encoding="utf-8")
    assert [file.corrected for file in take(site, file).files] == [0, 0]  # taken in before, by this very mapping


def test_a_fault_of_a_workbook_is_told_by_the_name_that_the_user_knows(site: Path, tmp_path: Path) -> None:
    take(site, write_cases(tmp_path / "cases_march.csv", [case(2, "laser")]))
    with open_registry(site) as registry:
        (workbook,) = export_workbooks(registry, tmp_path / "out")
    frame = pl.read_excel(workbook.path, infer_schema_length=0).with_columns(pl.lit("x").alias("Extra"))
    frame.write_excel(tmp_path / "back.xlsx", worksheet="cases_march")
    with pytest.raises(GraftledgerError) as caught:
        take(site, tmp_path / "back.xlsx")
    assert {(fault.file, fault.field) for fault in caught.value.faults} == {("back.xlsx, sheet cases_march", "Extra")}


def test_names_in_a_column_of_the_site_stop_the_file(site: Path, tmp_path: Path) -> None:
    file = write_cases(tmp_path / "cases.csv", [[*case(1)[:-1], "Anna Schmidt"]])
    with pytest.raises(GraftledgerError, match="looks like a person's name") as caught:
        take(site, file)
    assert "Schmidt" not in str(caught.value)
    assert query(site, "select count(*) from patient") == [(0,)]
