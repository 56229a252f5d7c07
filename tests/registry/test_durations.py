"""Times in words and days."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from registry.durations import months, parse_time, time_label, years
from registry.errors import GraftledgerError


@pytest.mark.parametrize(("text", "days"), [("180d", 180), ("6m", 182), ("1y", 365), ("2y", 730), ("10y", 3652)])
def test_times_fall_on_stated_days(text: str, days: int) -> None:
    """By hand: floor(k x 365.25 / 12)."""
    assert parse_time(text) == days


@pytest.mark.parametrize("text", ["", "2", "y", "-1y", "1.5y", "2 years", "99999d"])
def test_other_texts_are_refused(text: str) -> None:
    with pytest.raises(GraftledgerError, match="is not a time"):
        parse_time(text)


@given(st.integers(1, 480))
def test_labels_read_back(count: int) -> None:
    label = time_label(months(count))
    number, unit = label.split()
    assert {"year": years, "month": months}[unit.rstrip("s")](int(number)) == months(count)
