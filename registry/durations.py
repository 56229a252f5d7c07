"""Times as users write them, and the day on which they fall.

k months are floor(k x 365.25 / 12) days and k years are 12 k months, so that a milestone falls on the same day
wherever it is computed.
"""

from __future__ import annotations

import re

from .errors import GraftledgerError

_TIME = re.compile(r"([0-9]{1,4})([dmy])")


def months(count: int) -> int:
    """Days in that many months.

    >>> months(6), months(12), months(60)
    (182, 365, 1826)
    """
    return count * 36525 // 1200


def years(count: int) -> int:
    """Days in that many years.

    >>> years(1), years(2), years(10)
    (365, 730, 3652)
    """
    return months(12 * count)


def parse_time(text: str) -> int:
    """Days in a time written as `180d`, `6m` or `2y`.

    >>> parse_time("6m")
    182

    Raises: GraftledgerError where the text is no such time.
    """
    match = _TIME.fullmatch(text.strip())
    if match is None:
        raise GraftledgerError(f"'{text}' is not a time. Write days, months or years, such as 180d, 6m or 2y.")
    count, unit = int(match[1]), match[2]
    match unit:
        case "m":
            return months(count)
        case "y":
            return years(count)
        case _:
            return count


def time_label(at_days: int) -> str:
    """A time in words, in years or months where it falls on one.

    >>> time_label(730), time_label(182), time_label(100)
    ('2 years', '6 months', '100 days')
    """
    for unit, to_days in (("year", years), ("month", months)):
        count = round(at_days / to_days(100) * 100)
        if count and to_days(count) == at_days:
            return f"{count} {unit}" if count == 1 else f"{count} {unit}s"
    return "1 day" if at_days == 1 else f"{at_days} days"
