"""A quarter of a year."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, timedelta

from pipelines.spans import Span
from registry import GraftledgerError

from .. import wording

_QUARTER = re.compile(r"((?:19|20)[0-9]{2})-Q([1-4])")


@dataclass(frozen=True)
class Quarter:
    """A quarter, such as the third of 2026."""

    year: int
    number: int

    @property
    def first_on(self) -> date:
        """Its first day."""
        return date(self.year, 3 * self.number - 2, 1)

    @property
    def last_on(self) -> date:
        """Its last day.

        >>> Quarter(2026, 4).last_on
        datetime.date(2026, 12, 31)
        """
        year, month = (self.year + 1, 1) if self.number == 4 else (self.year, 3 * self.number + 1)
        return date(year, month, 1) - timedelta(days=1)

    @property
    def before(self) -> Quarter:
        """The quarter before it.

        >>> str(Quarter(2026, 1).before)
        '2025-Q4'
        """
        return Quarter(self.year - 1, 4) if self.number == 1 else Quarter(self.year, self.number - 1)

    @property
    def year_before(self) -> Quarter:
        """The same quarter a year before."""
        return Quarter(self.year - 1, self.number)

    @property
    def span(self) -> Span:
        """Its days, under its name."""
        return Span(str(self), self.first_on, self.last_on)

    @property
    def words(self) -> str:
        """Its months.

        >>> Quarter(2026, 3).words
        'July to September 2026'
        """
        return f"{wording.month_words(self.first_on).split()[0]} to {wording.month_words(self.last_on)}"

    def __str__(self) -> str:
        return f"{self.year}-Q{self.number}"


def parse_quarter(text: str) -> Quarter:
    """The quarter written as `2026-Q3`.

    >>> str(parse_quarter("2026-Q3"))
    '2026-Q3'

    Raises: GraftledgerError where the text is no quarter.
    """
    match = _QUARTER.fullmatch(text.strip())
    if match is None:
        raise GraftledgerError(f"'{text}' is not a quarter. Write the year and the quarter, such as 2026-Q3.")
    return Quarter(int(match[1]), int(match[2]))


def last_complete_quarter(data_date: date | None) -> Quarter:
    """The last quarter that the records cover to its end; of a registry without declarations, that of today.

    >>> str(last_complete_quarter(date(2026, 9, 30))), str(last_complete_quarter(date(2026, 9, 29)))
    ('2026-Q3', '2026-Q2')

    Raises: nothing; a quarter that is not there yet makes a page that says so.
    """
    day = data_date or date.today()
    current = Quarter(day.year, (day.month + 2) // 3)
    return current if current.last_on <= day else current.before
