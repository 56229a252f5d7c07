"""The fictional sites and surgeons. All of them are invented."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

DATA_DATE = date(2026, 9, 30)
"""The last day of the fictional data. Fixed: nothing depends on the day on which the program runs."""


@dataclass(frozen=True)
class Site:
    """A fictional site.

    opened_on: day of its first session at the earliest.
    complete_to: day up to which it has sent every session.
    share: share of the practice's patients.
    """

    code: str
    opened_on: date
    complete_to: date
    share: float


@dataclass(frozen=True)
class Surgeon:
    """A fictional surgeon, with effects that are known because they are stated here.

    site: code of the site.
    share: relative volume at the site while active.
    active_from, active_to: first and last day of operating.
    complication_log_odds: added to the log odds of swelling, bruised eyes, folliculitis and infection.
    graft_log_odds: added to the log odds that a placed graft grows.
    strip_log_odds: added to the log odds of choosing a strip harvest.
    """

    code: str
    site: str
    share: float
    active_from: date
    active_to: date
    complication_log_odds: float
    graft_log_odds: float
    strip_log_odds: float


_START, _OPEN_END = date(2009, 1, 5), DATA_DATE

SITE_LIST: tuple[Site, ...] = (
    Site("HARBOUR", _START, date(2026, 9, 30), 0.40),
    Site("MEADOW", date(2011, 3, 7), date(2026, 9, 21), 0.30),
    Site("QUARRY", date(2014, 9, 1), date(2026, 8, 31), 0.20),
    Site("LANTERN", date(2018, 2, 5), date(2026, 9, 14), 0.10),
)

SURGEON_LIST: tuple[Surgeon, ...] = (
    Surgeon("S01", "HARBOUR", 0.50, _START, _OPEN_END, 0.00, 0.05, 0.0),
    Surgeon("S02", "HARBOUR", 0.35, _START, date(2019, 12, 20), 0.15, -0.10, 1.2),
    Surgeon("S03", "HARBOUR", 0.15, date(2016, 5, 2), _OPEN_END, -0.20, 0.20, -0.8),
    Surgeon("S04", "MEADOW", 0.60, date(2011, 3, 7), _OPEN_END, -0.10, 0.10, 0.3),
    Surgeon("S05", "MEADOW", 0.25, date(2012, 1, 9), _OPEN_END, 0.35, -0.25, 0.0),
    Surgeon("S06", "MEADOW", 0.15, date(2020, 9, 7), _OPEN_END, 0.05, 0.00, -1.5),
    Surgeon("S07", "QUARRY", 0.70, date(2014, 9, 1), _OPEN_END, 0.10, 0.00, 0.4),
    Surgeon("S08", "QUARRY", 0.30, date(2017, 3, 6), _OPEN_END, -0.35, 0.25, -0.6),
    Surgeon("S09", "LANTERN", 0.85, date(2018, 2, 5), _OPEN_END, 0.00, -0.05, -0.5),
    Surgeon("S10", "LANTERN", 0.15, date(2023, 10, 2), _OPEN_END, 0.25, -0.15, -0.5),
)

SITES: tuple[str, ...] = tuple(site.code for site in SITE_LIST)
SURGEONS: tuple[str, ...] = tuple(surgeon.code for surgeon in SURGEON_LIST)
