"""The record type told from the columns, and what is said of columns that are wrong."""

from __future__ import annotations

import pytest

from pipelines.intake.columns import record_of_columns
from registry import RECORD_TYPES, GraftledgerError
from registry.definition import RecordType


def refusal(columns: list[str], as_type: RecordType | None = None) -> list[str]:
    with pytest.raises(GraftledgerError) as caught:
        record_of_columns(columns, "file.csv", as_type)
    return [str(fault) for fault in caught.value.faults]


@pytest.mark.parametrize("record", RECORD_TYPES, ids=lambda record: record.name)
def test_each_type_is_told_from_all_its_columns_or_the_required_ones(record: RecordType) -> None:
    assert record_of_columns(record.field_names, "file.csv") is record
    assert record_of_columns(record.required_names[::-1], "file.csv") is record


@pytest.mark.parametrize("record", RECORD_TYPES, ids=lambda record: record.name)
def test_a_required_column_that_is_missing_is_named(record: RecordType) -> None:
    for missing in record.required_names:
        columns = [name for name in record.field_names if name != missing]
        assert refusal(columns) == [
            f"file.csv, {missing}: the required column of a {record.name} file is missing. Add it."
        ]


def test_an_unknown_column_is_named_with_the_nearest_known_one() -> None:
    names = [*RECORD_TYPES[0].field_names, "hair_caliber_um"]
    (words,) = refusal(names)
    assert words.startswith("file.csv, hair_caliber_um: the column is unknown in a patient file. Did you mean hair_")


def test_every_fault_of_the_columns_is_told_at_once() -> None:
    names = ["visit_key", "session_key", "visitd_on", "contact_mode", "satisfaction", "satisfaction", ""]
    told = "\n".join(refusal(names))
    for words in (
        "visitd_on: the column is unknown",
        "satisfaction: the column is there 2 times",
        "column 7 has no name",
        "visited_on: the required column of a visit file is missing",
    ):
        assert words in told


@pytest.mark.parametrize("as_type", [None, RECORD_TYPES[2]])
def test_a_row_in_place_of_the_header_is_not_repeated(as_type: RecordType | None) -> None:
    told = "\n".join(refusal(["Jane Miller", "1980-02-03", "jane@home.example", "in_person"], as_type))
    assert "Does the first line hold the column names?" in told
    assert "Jane" not in told
    assert "jane" not in told
    assert "1980" not in told


def test_an_unknown_column_that_looks_like_no_name_is_told_by_its_place() -> None:
    told = refusal([*RECORD_TYPES[2].field_names, "jane@home.example"])
    assert told == ["file.csv: column 24 is unknown. Take it out, or give it the name of a known one."]


def test_as_decides_where_columns_fit_two_types() -> None:
    session, visit = RECORD_TYPES[1], RECORD_TYPES[2]
    assert "the required column of a session file is missing" in "\n".join(
        refusal(["session_key", "patient_key"], session)
    )
    assert "its columns do not tell" in refusal(["site_code", "infection"])[0]
    assert record_of_columns(visit.required_names, "file.csv", visit) is visit
