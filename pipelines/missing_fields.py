"""How often each field is empty in what a quarter brought."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

from registry import RECORD_TYPES, quoted
from registry.definition import ELSEWHERE
from registry.store import Registry

from .estimators import wilson
from .figure import Figure

FIELD_EMPTY = "field_empty"

_OF_QUARTER = {
    "session": "from session where surgeon_code <> $elsewhere and performed_on between $first and $last",
    "patient": "from patient where patient_key in (select patient_key from session "
    "where surgeon_code <> $elsewhere and performed_on between $first and $last)",
    "complication": "from complication where session_key in (select session_key from session "
    "where surgeon_code <> $elsewhere and performed_on between $first and $last)",
    "graft_count": "from graft_count where counted_on between $first and $last",
}
"""Which records of each type belong to a quarter. Contacts are left out: what is asked differs from one to the next,
and each measure says at how many its question was left open."""

_EMPTY_BY_NATURE = frozenset(
    {
        "died_on",
        "dates_shifted",
        "first_surgery_precision",
        "last_contact_reason",
        "harvest_by",
        "placed_by",
        "performed_precision",
        "learned_on",
        "donor_closure",
        "last_present_day",
        "first_absent_day",
        "placed_hairs",
        "existing_hairs_before",
        "growing_grafts",
        "growing_hairs",
        "repeat_number",
    }
)
"""Fields that are empty because there is nothing to say, or because another one says it."""


def missing_fields(registry: Registry, first_on: date, last_on: date, *, level: float = 0.95) -> tuple[Figure, ...]:
    """Share of records of a quarter with a field left empty, of the fields that may be empty and mostly should not be.

    Records of a quarter: its sessions here, their patients and complications, and its graft counts.
    Estimator: empty / records, Wilson limits. Empty is not wrong by itself: a
    field may not apply.
    Returns figures `field_empty` grouped by record and field, in the order of the definition.
    Source: Wilson 1927, JASA 22:209-212.
    """
    return tuple(_figures(registry, first_on, last_on, level))


def _figures(registry: Registry, first_on: date, last_on: date, level: float) -> Iterator[Figure]:
    days = {"first": first_on, "last": last_on, "elsewhere": ELSEWHERE}
    for record in RECORD_TYPES:
        fields = [field for field in record.fields if not field.required and field.name not in _EMPTY_BY_NATURE]
        if record.name not in _OF_QUARTER or not fields:
            continue
        columns = ", ".join(f"count(*) - count({quoted(field.name)})" for field in fields)
        chosen = _OF_QUARTER[record.name]
        used = {name: value for name, value in days.items() if f"${name}" in chosen}
        total, *empty = registry.connection.execute(f"select count(*), {columns} {chosen}", used).fetchall()[0]
        for field, count in zip(fields, empty, strict=True):
            share = wilson(count, total, level) if total else None
            yield Figure(
                FIELD_EMPTY,
                total,
                record.plural,
                "wilson",
                group={"record": record.name, "field": field.name},
                estimate=share.estimate if share else None,
                lower=share.lower if share else None,
                upper=share.upper if share else None,
                level=level,
                events=count,
                flags=("too_few",) if total < registry.settings.floor_denominator else (),
            )
