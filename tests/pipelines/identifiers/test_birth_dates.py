"""Columns of dates that are dates of birth, told by the ages they make."""

from __future__ import annotations

from datetime import date
from random import Random

import polars as pl
import pytest

from pipelines.identifiers import TableFacts, find_identifiers, telling_cells
from registry import record_type

RANDOM = Random(5)
SURGERIES = [date(RANDOM.randrange(2012, 2025), RANDOM.randrange(1, 13), RANDOM.randrange(1, 29)) for _ in range(60)]
BIRTHS = [surgery.replace(year=surgery.year - RANDOM.randrange(20, 70)) for surgery in SURGERIES]


def column(days: list[date], form: str) -> list[str]:
    return [day.strftime(form) for day in days]


@pytest.mark.parametrize("form", ["%Y-%m-%d", "%d.%m.%Y", "%m/%d/%Y", "%d/%m/%y", "%Y%m%d", "%d %B %Y"])
def test_a_column_of_births_is_found_whatever_it_is_called(form: str) -> None:
    frame = pl.DataFrame({"Op": column(SURGERIES, form), "Datum 2": column(BIRTHS, form)})
    (fault,) = find_identifiers(frame, file_name="x.csv")
    assert fault.field == "Datum 2"
    assert "a date of birth" in fault.what


def test_today_stands_for_a_missing_second_column() -> None:
    frame = pl.DataFrame({"Datum": column(BIRTHS, "%Y-%m-%d")})
    assert find_identifiers(frame, file_name="x.csv") == []
    assert len(find_identifiers(frame, file_name="x.csv", facts=TableFacts(today=date(2026, 9, 30)))) == 1


def test_other_dates_are_none() -> None:
    """Earlier surgeries, follow-up of twenty years, and a year of birth."""
    earlier = [surgery.replace(year=surgery.year - RANDOM.randrange(0, 15)) for surgery in SURGERIES]
    later = [surgery.replace(year=surgery.year + 1) for surgery in SURGERIES]
    frame = pl.DataFrame(
        {
            "Op": column(SURGERIES, "%d.%m.%Y"),
            "Voroperation": column(earlier, "%d.%m.%Y"),
            "Kontrolle": column(later, "%d.%m.%Y"),
            "Jahrgang": [str(birth.year) for birth in BIRTHS],
        }
    )
    facts = TableFacts(today=date(2026, 9, 30))
    assert find_identifiers(frame, file_name="x.csv", facts=facts) == []


def test_single_births_among_visits_are_found() -> None:
    visits = column(SURGERIES * 10, "%Y-%m-%d")
    visits[17], visits[300] = "1971-03-08", "1988-11-20"
    facts = TableFacts(record=record_type("visit"))
    cells = telling_cells(pl.DataFrame({"visited_on": visits}), facts)
    assert cells["row"].to_list() == [17, 300]


def test_single_early_surgeries_and_wrong_years_are_none() -> None:
    days = column(SURGERIES * 10, "%Y-%m-%d")
    early = days.copy()
    early[17] = "1988-11-20"
    wrong = days.copy()
    wrong[17], wrong[18] = "2009-11-20", "2104-05-03"
    facts = TableFacts(record=record_type("session"))
    assert telling_cells(pl.DataFrame({"performed_on": early, "learned_on": wrong}), facts).is_empty()
