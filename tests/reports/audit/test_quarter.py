"""Quarters as people write them."""

from __future__ import annotations

import itertools
from datetime import date, timedelta

import pytest

from registry.errors import GraftledgerError
from reports.audit import Quarter, parse_quarter


def test_four_quarters_fill_a_year() -> None:
    quarters = [Quarter(2024, number) for number in (1, 2, 3, 4)]
    assert quarters[0].first_on == date(2024, 1, 1)
    assert quarters[3].last_on == date(2024, 12, 31)
    for before, after in itertools.pairwise(quarters):
        assert before.last_on + timedelta(days=1) == after.first_on


@pytest.mark.parametrize(
    "text", ["2026Q3", "2026-Q5", "2026-Q0", "Q3 2026", "26-Q3", "2026-q3", "", "2026-Q3-1", "٢٠٢٦-Q3"]
)
def test_what_is_no_quarter_is_refused_with_an_example(text: str) -> None:
    with pytest.raises(GraftledgerError, match="2026-Q3"):
        parse_quarter(text)


def test_its_months_in_words() -> None:
    assert parse_quarter("2026-Q1").words == "January to March 2026"
    assert str(parse_quarter(" 2026-Q1 ")) == "2026-Q1"
