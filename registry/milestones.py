"""The follow-up milestones of a session: when each is due and which days serve it."""

from __future__ import annotations

from dataclasses import dataclass

from .durations import months, parse_time, time_label, years
from .errors import GraftledgerError


@dataclass(frozen=True)
class Milestone:
    """One milestone: due on a day after the session, served by the nearest contact from `opens` to `closes`."""

    name: str
    label: str
    due: int
    opens: int
    closes: int


def yearly(count: int) -> Milestone:
    """The milestone of that year, from the second on: due on the anniversary, 90 days to either side."""
    if count < 2:
        raise ValueError("yearly milestones start with the second year")
    return Milestone(f"year_{count}", f"year {count}", years(count), years(count) - 90, years(count) + 90)


DAY_1 = Milestone("day_1", "day 1", 1, 0, 2)
DAY_7 = Milestone("day_7", "day 7", 7, 5, 14)
MONTH_3 = Milestone("month_3", "month 3", months(3), 60, 120)
MONTH_6 = Milestone("month_6", "month 6", months(6), 150, 210)
MONTH_12 = Milestone("month_12", "month 12", months(12), 300, 450)

MILESTONES: tuple[Milestone, ...] = (DAY_1, DAY_7, MONTH_3, MONTH_6, MONTH_12)
"""The milestones of the first year; later ones are `yearly(2)`, `yearly(3)` and so on."""

MATURE_COUNT_FROM = months(10)
MATURE_COUNT_TO = months(18)
"""Graft counts made from month 10 to month 18 judge the mature result (common practice, no source), where the settings
of a registry say nothing else."""
EARLIEST_MATURE = months(2)
"""Before it grafts rest, so that a count says nothing of the result (common practice, no source)."""


def check_mature_window(window: tuple[int, int]) -> None:
    """Raises: GraftledgerError for a window of mature counts that begins before month 2 or ends before it begins."""
    first, last = window
    if first < EARLIEST_MATURE:
        raise GraftledgerError(
            f"A count on day {first} is no mature count: grafts rest until month 2. Let the window begin on day "
            f"{EARLIEST_MATURE} or later."
        )
    if last < first:
        raise GraftledgerError("The window of mature counts ends before it begins. Give the earlier time first.")


def parse_mature_window(text: str) -> tuple[int, int]:
    """First and last day of a mature count.

    >>> parse_mature_window("10m-18m")
    (304, 547)

    Raises: GraftledgerError where it is written otherwise, or as `check_mature_window`.
    """
    first, dash, last = text.partition("-")
    if not dash:
        raise GraftledgerError(f"'{text}' is no window of mature counts. Write it FROM-TO, such as 10m-18m.")
    window = parse_time(first), parse_time(last)
    check_mature_window(window)
    return window


def mature_window_label(window: tuple[int, int]) -> str:
    """A window of mature counts in words.

    >>> mature_window_label((304, 547)), mature_window_label((300, 547))
    ('10 to 18 months', '300 days to 18 months')
    """
    first, last = (time_label(day) for day in window)
    return f"{first.removesuffix(' months')} to {last}" if first.split()[1] == last.split()[1] else f"{first} to {last}"
