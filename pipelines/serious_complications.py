"""Severe complications of a quarter: each one is looked at, however rare it is."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

from registry.definition import ELSEWHERE
from registry.store import Registry

from ._queries import rows

if TYPE_CHECKING:
    import polars as pl

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
    values = _values(first_on, last_on)
    table = rows(registry, ("serious_case", "serious_complication"), "from serious_complication", values)
    return tuple(SeriousComplications(*row) for row in table.rows())


def serious_cases(registry: Registry, first_on: date, last_on: date) -> pl.DataFrame:
    """The records that `serious_complications` counts, one a row: session_key, patient_key, site_code, surgeon_code,
    performed_on and kind."""
    return rows(registry, ("serious_case",), "from serious_case order by all", _values(first_on, last_on))


def _values(first_on: date, last_on: date) -> dict[str, Any]:
    return {"elsewhere": ELSEWHERE, "grades": list(GRADES), "first": first_on, "last": last_on}
