"""What was done in a quarter and to whom: counts, beside those of other quarters."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from registry.definition import ELSEWHERE
from registry.store import Registry

from ._queries import rows
from .spans import Span, span_field


@dataclass(frozen=True)
class Activity:
    """Sessions here of one span. counts: by name, of sessions unless the name says otherwise.

    age_quartiles, graft_quartiles: lower quartile, median, upper quartile, of those known; empty where none is.
    """

    span: Span
    counts: Mapping[str, int]
    age_quartiles: tuple[float, float, float] | None
    graft_quartiles: tuple[float, float, float] | None


COUNTS = (
    "sessions",
    "patients",
    "surgeons",
    "first_sessions",
    "strip",
    "follicular_unit_excision",
    "combined",
    "female",
    "sex_not_known",
    "repairs",
    "ages_known",
    "grafts_known",
)


def quarter_activity(registry: Registry, spans: Sequence[Span], *, as_of: date | None = None) -> tuple[Activity, ...]:
    """Sessions here and their case-mix by span. Full counts, so there is no interval.

    Quartiles by linear interpolation (type 7 of Hyndman & Fan 1996, Am Stat 50:361-365). Age is that at the patient's
    first surgery. Patients whose dates were shifted are in no quarter, and not counted.
    """
    table = rows(
        registry,
        ("activity",),
        "from activity",
        {"elsewhere": ELSEWHERE, "as_of": as_of},
        {"span": span_field(tuple(spans)).sql},
    )
    found = {row["span"]: row for row in table.iter_rows(named=True)}
    return tuple(
        Activity(
            span,
            {name: (row or {}).get(name, 0) for name in COUNTS},
            _quartiles((row or {}).get("age_quartiles")),
            _quartiles((row or {}).get("graft_quartiles")),
        )
        for span, row in ((span, found.get(str(number))) for number, span in enumerate(spans))
    )


def _quartiles(values: Sequence[float | None] | None) -> tuple[float, float, float] | None:
    if not values or values[0] is None:
        return None
    low, middle, high = (float(value) for value in values if value is not None)
    return low, middle, high
