"""What a refusal says: file, row and field, never a value; and where a name could be a value, its position."""

from __future__ import annotations

import polars as pl
import pytest

from pipelines.identifiers import TableFacts, find_identifiers, refuse_identifiers
from registry import GraftledgerError, record_type


def test_rows_are_named_and_the_rest_counted() -> None:
    frame = pl.DataFrame({"zone": ["hairline", "anna@mail.example", *["b@mail.example"] * 7]})
    (fault,) = find_identifiers(frame, file_name="counts.csv")
    assert (fault.file, fault.row, fault.field) == ("counts.csv", 2, "zone")
    assert fault.what == "looks like an e-mail address; so do rows 3, 4, 5, 6, 3 more."


def test_row_numbers_and_header_of_the_file() -> None:
    frame = pl.DataFrame({"c0": ["hairline", "anna@mail.example"], "c1": ["1", "2"]})
    facts = TableFacts(header=["Zone", "Zone"], row_numbers=pl.Series([3, 9]))
    (fault,) = find_identifiers(frame, file_name="counts.csv", sheet="Visits", facts=facts)
    assert (fault.file, fault.row, fault.field) == ("counts.csv, sheet Visits", 9, "Zone")


@pytest.mark.parametrize(
    "header",
    ["anna.b@mail.example", "+49 171 1234567", "Dr. Krawinkel", "Anna Krawinkel", "10.0.0.12", "4111 1111 1111 1111"],
)
def test_a_column_name_that_is_an_identifier_is_named_by_position(header: str) -> None:
    frame = pl.DataFrame({"zone": ["vertex"], header: ["yes"]})
    (fault,) = find_identifiers(frame, file_name="x.csv")
    assert fault.field == "column 2"
    assert header not in str(fault)


def test_a_column_name_with_unknown_words_is_named_by_position() -> None:
    (fault,) = find_identifiers(pl.DataFrame({"Krawinkel phone number": ["a"]}), file_name="x.csv")
    assert fault.field == "column 1"
    assert "Krawinkel" not in str(fault)


def test_a_column_that_must_go_is_named_once() -> None:
    frame = pl.DataFrame({"E-Mail": ["anna@mail.example", "b@mail.example"]})
    (fault,) = find_identifiers(frame, file_name="x.csv")
    assert fault.what == "the name of the column suggests an e-mail address."
    assert fault.row is None


@pytest.mark.parametrize("name", ["anna.b@mail.example.csv", "Anna_Krawinkel.csv", "Dr Krawinkel visits.xlsx"])
def test_a_telling_file_name_is_refused_and_not_repeated(name: str) -> None:
    (fault,) = find_identifiers(pl.DataFrame({"zone": ["vertex"]}), file_name=name)
    assert "Rename the file." in str(fault)
    assert name not in str(fault)


def test_a_telling_sheet_name_is_refused_and_not_repeated() -> None:
    frame = pl.DataFrame({"zone": ["b@mail.example"]})
    faults = find_identifiers(frame, file_name="x.xlsx", sheet="Krawinkel, Anna")
    assert len(faults) == 2
    assert all("Krawinkel" not in str(fault) for fault in faults)


@pytest.mark.parametrize(
    "name", ["visits_2024-05.csv", "HARBOUR/visit.csv", "export_20240105123000.csv", "patient.csv"]
)
def test_ordinary_file_names_pass(name: str) -> None:
    assert find_identifiers(pl.DataFrame({"zone": ["vertex"]}), file_name=name, sheet="Kontrollen") == []


def test_refusal_is_bounded_and_says_how_much_is_left_out() -> None:
    frame = pl.DataFrame({f"zone {number}": ["anna@mail.example"] for number in range(50)})
    with pytest.raises(GraftledgerError) as refusal:
        refuse_identifiers(frame, file_name="x.csv")
    assert len(refusal.value.faults) == 21
    assert "30 more" in str(refusal.value.faults[-1])


def test_a_clean_table_passes() -> None:
    frame = pl.DataFrame({"zone": ["vertex", None], "row_number": [1, 2]})
    refuse_identifiers(frame, file_name="x.csv")
    refuse_identifiers(frame.clear(), file_name="x.csv", facts=TableFacts(record=record_type("graft_count")))
