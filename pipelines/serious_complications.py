"""Severe complications of a quarter: each one is looked at, however rare it is."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from registry.definition import ELSEWHERE
from registry.store import Registry

from ._queries import rows

GRADES = ("IIIa", "IIIb", "IVa", "IVb", "V")
"""Grades of Clavien-Dindo that mean a procedure or worse (Dindo, Demartines & Clavien 2004, Ann Surg 240:205-213)."""


@dataclass(frozen=True)
class SeriousComplications:
    """Records of one kind at one site."""

    site: str
    kind: str
    records: int
    patients: int


def serious_complications(registry: Registry, first_on: date, last_on: date) -> tuple[SeriousComplications, ...]:
    """Complication records that are severe, or of grade IIIa and above, with their onset between two days.

    A record without a day of onset counts on the day of its session. Counts alone: a number of a quarter says nothing
    of a rate. The most frequent first.
    """
    values = {"elsewhere": ELSEWHERE, "grades": list(GRADES), "first": first_on, "last": last_on}
    table = rows(registry, ("serious_complication",), "from serious_complication", values)
    return tuple(SeriousComplications(*row) for row in table.rows())
