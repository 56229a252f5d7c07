"""Dates. Expected values: by hand."""

from __future__ import annotations

import polars as pl
import pytest

from pipelines.mapping.dates import conflicting_forms, date_values, form_fault


def read(text: str, *forms: str) -> tuple[str | None, str | None, str | None]:
    values, precision, rules = date_values(pl.Series([text]), forms)
    return values[0], precision[0], rules[0]


@pytest.mark.parametrize(
    ("text", "form", "expected"),
    [
        ("05.03.2024", "%d.%m.%Y", "2024-03-05"),
        ("5.3.2024", "%d.%m.%Y", "2024-03-05"),
        ("5. 3. 2024", "%d. %m. %Y", "2024-03-05"),
        ("03/05/2024", "%m/%d/%Y", "2024-03-05"),
        ("20240305", "%Y%m%d", "2024-03-05"),
        ("05.03.24", "%d.%m.%y", "2024-03-05"),
        ("05.03.69", "%d.%m.%y", "2069-03-05"),
        ("05.03.70", "%d.%m.%y", "1970-03-05"),
        ("5. März 2024", "%d. %b %Y", "2024-03-05"),
        ("5-Mar-2024", "%d-%b-%Y", "2024-03-05"),
        ("5 août 2024", "%d %b %Y", "2024-08-05"),
        ("5 dic. 2024", "%d %b %Y", "2024-12-05"),
        ("05.03.2024 10:30", "%d.%m.%Y", "2024-03-05"),
        ("05.03.2024 10:30:00", "%d.%m.%Y", "2024-03-05"),
        # a real date of a workbook, or one already in ISO 8601, is always read
        ("2024-03-05", "%m/%d/%Y", "2024-03-05"),
        ("2024-03-05 10:30:00", "%m/%d/%Y", "2024-03-05"),
        ("2024-03-05T10:30:00Z", "%m/%d/%Y", "2024-03-05"),
        ("29.02.2024", "%d.%m.%Y", "2024-02-29"),
    ],
)
def test_dates_of_a_declared_form(text: str, form: str, expected: str) -> None:
    assert read(text, form) == (expected, "day", None)


@pytest.mark.parametrize(
    ("text", "form", "rule"),
    [
        ("31.02.2024", "%d.%m.%Y", "no_such_date"),
        ("29.02.2023", "%d.%m.%Y", "no_such_date"),
        ("13/13/2024", "%d/%m/%Y", "no_such_date"),
        ("00.01.2024", "%d.%m.%Y", "no_such_date"),
        ("05.03.24", "%d.%m.%Y", "wrong_format"),
        ("05/03/2024", "%d.%m.%Y", "wrong_format"),
        ("5. Foo 2024", "%d. %b %Y", "wrong_format"),
        ("5 ma 2024", "%d %b %Y", "wrong_format"),
        ("March", "%d.%m.%Y", "wrong_format"),
        ("2024-03", "%d.%m.%Y", "wrong_format"),
        ("", "%d.%m.%Y", "wrong_format"),
    ],
)
def test_other_dates_are_not_guessed(text: str, form: str, rule: str) -> None:
    assert read(text, form) == (None, None, rule)


def test_a_date_without_its_day_says_so() -> None:
    forms = ("%d.%m.%Y", "%m/%Y", "%b %Y", "%Y")
    assert read("05.03.2014", *forms) == ("2014-03-05", "day", None)
    assert read("03/2014", *forms) == ("2014-03-15", "month", None)
    assert read("März 2014", *forms) == ("2014-03-15", "month", None)
    assert read("2014", *forms) == ("2014-07-01", "year", None)


def test_an_empty_cell_is_neither_date_nor_fault() -> None:
    values, precision, rules = date_values(pl.Series([None], dtype=pl.String), ("%d.%m.%Y", "%Y"))
    assert (values[0], precision[0], rules[0]) == (None, None, None)


def test_forms_that_read_the_same_text_as_different_days_conflict() -> None:
    assert conflicting_forms(["%d/%m/%Y", "%m/%d/%Y"]) == ("%d/%m/%Y", "%m/%d/%Y")
    assert conflicting_forms(["%d.%m.%y", "%y.%m.%d"]) is not None
    assert conflicting_forms(["%Y-%d-%m"]) is not None  # against ISO 8601, which is always read
    assert conflicting_forms(["%d.%m.%Y", "%d.%m.%y", "%m/%Y", "%Y", "%d %b %Y"]) is None


@pytest.mark.parametrize("form", ["%d.%m", "%d.%m.%Y %H", "%d%m%Y%Y", "%d.%d.%Y", "today", "%d%m%y", "", "%x"])
def test_forms_that_are_none(form: str) -> None:
    assert form_fault(form) is not None


@pytest.mark.parametrize("form", ["%d.%m.%Y", "%Y%m%d", "%d%m%Y", "%b %Y", "%Y", "%-d/%-m/%y", "%d %B %Y"])
def test_forms_that_are(form: str) -> None:
    assert form_fault(form) is None
