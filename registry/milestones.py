"""The follow-up milestones of a session: when each is due and which days serve it."""

from __future__ import annotations

from dataclasses import dataclass

from .durations import months, years


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
"""Graft counts made from month 10 to month 18 judge the mature result (common practice, no source)."""
