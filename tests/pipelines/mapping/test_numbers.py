"""Numbers and units. Expected values: by hand."""

from __future__ import annotations

import polars as pl
import pytest

from pipelines.mapping.model import Reading
from pipelines.mapping.numbers import number_values
from pipelines.mapping.units import counts_hairs, known_units, unit_name
from registry import record_type

AREA = record_type("session").field("recipient_area_cm2")
GRAFTS = record_type("session").field("grafts_total")
HOURS = record_type("session").field("duration_hours")
WAIT = record_type("session").field("out_of_body_minutes")
SCAR = record_type("visit").field("scar_width_mm")
ONSET = record_type("complication").field("onset_day")
DENSITY = record_type("patient").field("donor_density_fu_cm2")

TEXT_COMMA = Reading(decimal=",")
TEXT_GERMAN = Reading(decimal=",", thousands=".")


def read(text: str, field=AREA, reading=Reading(), cells=False) -> tuple[str | None, str | None]:  # type: ignore[no-untyped-def] # noqa: B008
    values, rules = number_values(pl.Series([text]), field, reading, cells)
    return values[0], rules[0]


@pytest.mark.parametrize(
    ("text", "reading", "cells", "expected"),
    [
        ("7.5", Reading(), False, "7.5"),
        ("+7.50", Reading(), False, "7.50"),
        ("-3", Reading(), False, "-3"),
        (".5", Reading(), False, ".5"),
        ("7,5", TEXT_COMMA, False, "7.5"),
        ("1.234,5", TEXT_GERMAN, False, "1234.5"),
        ("12.345.678", TEXT_GERMAN, False, "12345678"),
        ("1,234.5", Reading(thousands=","), False, "1234.5"),
        ("1 234,5", Reading(decimal=",", thousands=" "), False, "1234.5"),
        ("1\u202f234,5", Reading(decimal=",", thousands=" "), False, "1234.5"),
        ("1'234.5", Reading(thousands="'"), False, "1234.5"),
        # number cells of a workbook come with a point, whatever the language of the file
        ("7.5", TEXT_COMMA, True, "7.5"),
        ("7,5", TEXT_COMMA, True, "7.5"),
        ("2.512", TEXT_COMMA, True, "2.512"),
        ("64.5", TEXT_GERMAN, True, "64.5"),
        ("2.500", TEXT_GERMAN, True, "2500"),
    ],
)
def test_numbers_as_they_are_written(text: str, reading: Reading, cells: bool, expected: str) -> None:
    assert read(text, AREA, reading, cells) == (expected, None)


@pytest.mark.parametrize(
    ("text", "reading", "cells", "rule"),
    [
        ("2.500", TEXT_COMMA, False, "wrong_format"),
        ("7.5", TEXT_COMMA, False, "wrong_format"),
        ("7,5", Reading(), False, "wrong_format"),
        ("2,500", Reading(), False, "wrong_format"),
        ("1.23.456", TEXT_GERMAN, False, "wrong_format"),
        ("about 7", Reading(), False, "wrong_format"),
        ("1e3", Reading(), False, "wrong_format"),
        ("", Reading(), False, "wrong_format"),
        ("2.500", TEXT_COMMA, True, "ambiguous_value"),
        ("2.512", TEXT_GERMAN, True, "ambiguous_value"),
    ],
)
def test_what_is_no_number_or_two_is_not_guessed(text: str, reading: Reading, cells: bool, rule: str) -> None:
    assert read(text, AREA, reading, cells) == (None, rule)


@pytest.mark.parametrize(
    ("text", "field", "unit", "expected"),
    [
        ("10", AREA, "in2", "64.516"),  # 2.54 squared is 6.4516
        ("1250", AREA, "mm2", "12.5"),
        ("300", HOURS, "min", "5"),
        ("200", HOURS, "min", "3.333333"),
        ("4:30", HOURS, "h:mm", "4.5"),
        ("04:30:00", HOURS, "h:mm", "4.5"),
        ("1:15", WAIT, "h:mm", "75"),
        ("1.5", WAIT, "h", "90"),
        ("0.25", SCAR, "in", "6.35"),
        ("0.3", SCAR, "cm", "3"),
        ("2", ONSET, "weeks", "14"),
        ("500", DENSITY, "fu/in2", "77.500155"),  # 500 / 6.4516
        ("300 min", HOURS, "min", "5"),
        ("-0", SCAR, "cm", "0"),
    ],
)
def test_units_are_converted(text: str, field, unit: str, expected: str) -> None:  # type: ignore[no-untyped-def]
    assert read(text, field, Reading(unit=unit)) == (expected, None)


@pytest.mark.parametrize(
    ("text", "field", "unit"),
    [
        ("1.5", ONSET, "weeks"),  # ten and a half days
        ("4:75", HOURS, "h:mm"),
        ("4.5", HOURS, "h:mm"),
        ("300 h", HOURS, "min"),
        ("9" * 30, AREA, "mm2"),
    ],
)
def test_what_does_not_convert_is_refused(text: str, field, unit: str) -> None:  # type: ignore[no-untyped-def]
    assert read(text, field, Reading(unit=unit)) == (None, "wrong_format")


def test_whole_numbers_are_whole() -> None:
    assert read("30.0", GRAFTS) == ("30", None)
    assert read("30,00", GRAFTS, TEXT_COMMA) == ("30", None)
    assert read("2.512", GRAFTS, TEXT_GERMAN, cells=True) == ("2512", None)
    assert read("30.5", GRAFTS) == (None, "wrong_format")


def test_two_thousand_is_never_taken_for_two() -> None:
    for text, reading in (("2.000", Reading()), ("2,000", TEXT_COMMA), ("2.512", Reading())):
        for cells in (True, False):
            assert read(text, GRAFTS, reading, cells) == (None, "ambiguous_value")
    assert read("2.000", GRAFTS, TEXT_GERMAN) == ("2000", None)
    assert read("2,000", GRAFTS, Reading(thousands=",")) == ("2000", None)
    assert read("2", GRAFTS) == ("2", None)


def test_an_empty_cell_is_neither_number_nor_fault() -> None:
    for reading in (Reading(), TEXT_COMMA, TEXT_GERMAN, Reading(unit="in2")):
        for cells in (True, False):
            values, rules = number_values(pl.Series([None], dtype=pl.String), AREA, reading, cells)
            assert (values[0], rules[0]) == (None, None)


def test_every_unit_of_the_definition_is_known_or_a_count() -> None:
    """Each field's own unit converts to itself."""
    counts = {"grafts", "hairs", "lesions", "sessions", "years", None}
    from registry import RECORD_TYPES
    from registry.definition import Kind

    for record in RECORD_TYPES:
        for field in record.fields:
            if field.kind in (Kind.INTEGER, Kind.NUMBER) and field.unit not in counts:
                assert known_units(field), field.name


def test_unit_names() -> None:
    assert [unit_name(text) for text in ("Zoll", "cm²", "Min.", "HH:MM", "FU/cm²")] == [
        "in",
        "cm2",
        "min",
        "h:mm",
        "fu/cm2",
    ]
    assert counts_hairs("Haare/cm²")
    assert not counts_hairs("fu/cm2")
