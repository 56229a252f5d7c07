"""Numbers into words, in one place: every report and table writes a figure the same way."""

from __future__ import annotations

import math
from datetime import date

from pipelines.figure import REASON_LABELS, Figure

NOT_SHOWN = "not shown"

_MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)


def reason_words(reason: str) -> str:
    """Why a record is not counted.

    >>> reason_words("not_due")
    'not due yet'
    """
    return REASON_LABELS[reason]


def whole(count: float) -> str:
    """A count with thousands set apart by a comma.

    >>> whole(12345), whole(999)
    ('12,345', '999')
    """
    return f"{count:,.0f}"


def counted(count: int, one: str, many: str | None = None) -> str:
    """A count with its noun.

    >>> counted(1, "site"), counted(1200, "session"), counted(0, "declaration")
    ('1 site', '1,200 sessions', '0 declarations')
    """
    return f"{whole(count)} {one if count == 1 else many or one + 's'}"


def decimals_for(share: float) -> int:
    """Decimals in which a share is written as a percentage: two below 1%, else one."""
    return 2 if 0 < share < 0.00995 else 1


def percent(share: float, decimals: int | None = None) -> str:
    """A share as a percentage. Only 0 is written as nothing, only 1 as everything.

    >>> percent(0.3123), percent(0.0031), percent(0.0), percent(1.0)
    ('31.2%', '0.31%', '0.0%', '100.0%')
    >>> percent(0.00001), percent(0.99999)
    ('below 0.01%', 'above 99.9%')
    """
    places = decimals_for(share) if decimals is None else decimals
    smallest = 10.0**-places
    if 0 < share * 100 < smallest / 2:
        return f"below {smallest:.{places}f}%"
    if share < 1 and round(share * 100, places) >= 100:
        return f"above {100 - smallest:.{places}f}%"
    return f"{share * 100:.{places}f}%"


def percent_up(share: float) -> str:
    """A share as a percentage that is never written smaller than it is, for "below".

    >>> percent_up(0.02117), percent_up(0.0006308), percent_up(0.0)
    ('2.2%', '0.07%', '0.0%')
    """
    places = decimals_for(share)
    return f"{math.ceil(round(share * 100 * 10**places, 6)) / 10**places:.{places}f}%"


def interval(lower: float, upper: float, decimals: int | None = None) -> str:
    """Two limits, both with the same number of decimals.

    >>> interval(0.29, 0.335), interval(0.0011, 0.004, 2)
    ('29.0% to 33.5%', '0.11% to 0.40%')
    """
    places = decimals_for(upper) if decimals is None else decimals
    return f"{_limit(lower, places)} to {_limit(upper, places)}"


def _limit(share: float, places: int) -> str:
    # a limit may touch 0 or 1 without being an estimate of nothing or everything
    return f"{share * 100:.{places}f}%"


def natural_frequency(share: float) -> str:
    """A share as people say it to each other.

    >>> natural_frequency(0.312), natural_frequency(0.004), natural_frequency(0.00002), natural_frequency(0.999)
    ('about 31 in 100', 'about 4 in 1,000', 'fewer than 1 in 1,000', 'more than 99 in 100')
    """
    if share == 0:
        return "none"
    if share < 0.0005:
        return "fewer than 1 in 1,000"
    if share < 0.00995:
        return f"about {share * 1000:.0f} in 1,000"
    if 0.995 < share < 1:
        return "more than 99 in 100"
    return f"about {share * 100:.0f} in 100"


def frequency_words(figure: Figure) -> str:
    """A share with its interval as people say it to each other; upper limits are rounded up, lower ones down.

    >>> frequency_words(Figure("m", 500, "patients", "km", estimate=0.262, lower=0.231, upper=0.288))
    'about 26 in 100 (23 to 29)'
    >>> frequency_words(Figure("m", 1400, "sessions", "wilson", estimate=0.004, lower=0.0019, upper=0.0091))
    'about 4 in 1,000 (1 to 10)'
    >>> frequency_words(Figure("m", 89, "sessions", "wilson", estimate=0.0, lower=0.0, upper=0.0414, events=0))
    'none of 89; at most about 5 in 100'
    >>> frequency_words(Figure("m", 9, "sessions", "wilson"))
    'too few to say'
    """
    if figure.estimate is None or "too_few" in figure.flags:
        return "nobody was followed so long" if "beyond_follow_up" in figure.flags else "too few to say"
    base = 1000 if 0 < figure.estimate < 0.00995 else 100
    upper = None if figure.upper is None else math.ceil(figure.upper * base - 1e-9)
    if figure.estimate == 0:
        return f"none of {whole(figure.n)}" + (f"; at most about {upper} in {base}" if upper is not None else "")
    limits = "" if figure.lower is None or upper is None else f" ({math.floor(figure.lower * base + 1e-9)} to {upper})"
    return natural_frequency(figure.estimate) + limits


def estimate_words(figure: Figure) -> str:
    """The estimate of a share, or why there is none.

    >>> estimate_words(Figure("m", 0, "sessions", "wilson"))
    'none counted'
    """
    if figure.estimate is not None:
        return percent(figure.estimate)
    if "beyond_follow_up" in figure.flags:
        return "beyond follow-up"
    if "suppressed" in figure.flags:
        return "suppressed"
    return "none counted" if figure.n == 0 else NOT_SHOWN


def interval_words(figure: Figure) -> str:
    """The interval of a share in the decimals of its estimate; empty where there is none.

    >>> interval_words(Figure("m", 140, "sessions", "wilson", estimate=0.0, lower=0.0, upper=0.0257))
    'below 2.6%'
    """
    if figure.estimate is None:
        return ""
    if figure.lower is None or figure.upper is None:
        return "no interval"
    if figure.estimate == 0:
        # a one-sided bound is a promise, so it is never written smaller than it is
        return f"below {percent_up(figure.upper) if figure.method == 'zero_event_upper' else percent(figure.upper)}"
    if figure.estimate == 1:
        return f"above {percent(figure.lower, 1)}"
    return interval(figure.lower, figure.upper, decimals_for(figure.estimate))


def share_words(figure: Figure) -> str:
    """A share with its interval, for running text.

    >>> share_words(Figure("m", 500, "sessions", "wilson", estimate=0.1, lower=0.077, upper=0.129, events=50))
    '10.0% (95% interval 7.7% to 12.9%)'
    >>> share_words(Figure("m", 140, "sessions", "wilson", estimate=0.0, lower=0.0, upper=0.0257, events=0))
    '0 of 140: below 2.6%'
    """
    if figure.estimate is None:
        return estimate_words(figure)
    if figure.estimate == 0 and figure.upper is not None:
        return f"{fraction(figure)}: {interval_words(figure)}"
    share, limits = percent(figure.estimate), interval_words(figure)
    if figure.lower is None or figure.upper is None:
        return f"{share} ({limits})"
    return f"{share} ({level_words(figure.level)} interval {limits})"


def time_words(days: float) -> str:
    """A time in the unit in which people say it.

    >>> time_words(1764), time_words(200), time_words(12)
    ('4.8 years', '6.6 months', '12 days')
    """
    if days < 60:
        return f"{days:.0f} days"
    months = days * 12 / 365.25
    return f"{months:.1f} months" if months < 24 else f"{months / 12:.1f} years"


def p_words(p: float) -> str:
    """A p value, never as nothing.

    >>> p_words(0.0213), p_words(0.00002), p_words(0.4)
    ('0.021', 'below 0.001', '0.40')
    """
    return "below 0.001" if p < 0.001 else f"{p:.2f}" if p >= 0.095 else f"{p:.3f}"


def level_words(level: float) -> str:
    """A confidence level.

    >>> level_words(0.95), level_words(0.975)
    ('95%', '97.5%')
    """
    return f"{level * 100:g}%"


def fraction(figure: Figure) -> str:
    """Events out of how many.

    >>> fraction(Figure("m", 1400, "sessions", "wilson", events=12)), fraction(Figure("m", 9, "sessions", "wilson"))
    ('12 of 1,400', 'of 9')
    """
    return f"of {whole(figure.n)}" if figure.events is None else f"{whole(figure.events)} of {whole(figure.n)}"


def date_words(day: date | None) -> str:
    """A date as it is read aloud.

    >>> date_words(date(2026, 9, 30)), date_words(None)
    ('30 September 2026', 'not declared')
    """
    return "not declared" if day is None else f"{day.day} {_MONTHS[day.month - 1]} {day.year}"


def month_words(day: date) -> str:
    """The month and year of a date."""
    return f"{_MONTHS[day.month - 1]} {day.year}"


def listed(items: list[str], last: str = "and") -> str:
    """Items in a sentence.

    >>> listed(["a", "b", "c"]), listed(["a"]), listed([])
    ('a, b and c', 'a', '')
    """
    return f"{', '.join(items[:-1])} {last} {items[-1]}" if len(items) > 1 else "".join(items)
