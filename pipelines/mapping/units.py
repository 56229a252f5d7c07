"""Units: what a number of one unit is in another.

A table and no library: the registry has five kinds of quantity, and a unit is either exactly convertible or refused.
Source: the inch is 25.4 mm (international yard and pound agreement, 1959; recalled); the rest follows by definition.
"""

from __future__ import annotations

from registry.definition import Field

CLOCK = "h:mm"
"""A length of time written as hours and minutes, `4:30`, or with seconds."""

_LENGTH = {"um": 0.001, "µm": 0.001, "mm": 1.0, "cm": 10.0, "in": 25.4}
_AREA = {"mm2": 0.01, "cm2": 1.0, "in2": 6.4516}
_TIME = {"s": 1 / 60, "min": 1.0, "h": 60.0, CLOCK: 1.0}
_DAYS = {"days": 1.0, "weeks": 7.0}
_DENSITY = {"fu/cm2": 1.0, "fu/mm2": 100.0, "fu/in2": 1 / 6.4516}

_KINDS: dict[str, tuple[dict[str, float], str]] = {
    "millimetres": (_LENGTH, "mm"),
    "micrometres": (_LENGTH, "um"),
    "cm2": (_AREA, "cm2"),
    "hours": (_TIME, "h"),
    "minutes": (_TIME, "min"),
    "days": (_DAYS, "days"),
    "follicular units per cm2": (_DENSITY, "fu/cm2"),
}
"""Unit of a field, as the definition prints it, to the units it can come in and its own name among them."""

_SPELLINGS = {
    "mm²": "mm2",
    "cm²": "cm2",
    "in²": "in2",
    "inch²": "in2",
    "inch2": "in2",
    "fe/cm2": "fu/cm2",
    "fe/cm²": "fu/cm2",
    "uf/cm2": "fu/cm2",
    "uf/cm²": "fu/cm2",
    "sqcm": "cm2",
    "sqin": "in2",
    "inch": "in",
    "inches": "in",
    "zoll": "in",
    "sec": "s",
    "minutes": "min",
    "minuten": "min",
    "hours": "h",
    "hrs": "h",
    "stunden": "h",
    "std": "h",
    "hh:mm": CLOCK,
    "micron": "um",
    "μm": "um",
    "d": "days",
    "tage": "days",
    "wochen": "weeks",
    "fu/cm²": "fu/cm2",
    "fu/mm²": "fu/mm2",
    "fu/in²": "fu/in2",
}
_HAIRS = ("hairs", "haare", "hair/", "hairs/", "haare/", "cheveux", "pelos")


def known_units(field: Field) -> tuple[str, ...]:
    """The units in which a field's numbers may come; empty where it has no unit to convert."""
    return tuple(_KINDS[field.unit][0]) if field.unit in _KINDS else ()


def unit_name(text: str) -> str:
    """The usual name of a unit.

    >>> unit_name("Zoll"), unit_name("cm²")
    ('in', 'cm2')
    """
    tidy = "".join(text.split()).rstrip(".").lower()
    return _SPELLINGS.get(tidy, tidy)


def counts_hairs(text: str) -> bool:
    """Whether a unit counts hairs: these are no follicular units, and no factor makes them any."""
    return "".join(text.split()).lower().startswith(_HAIRS)


def factor(field: Field, unit: str) -> float:
    """What a number in that unit is multiplied with to have the field's unit. The unit must be known for the field.

    >>> from registry import record_type
    >>> factor(record_type("session").field("duration_hours"), "min") * 300
    5.0
    """
    assert field.unit is not None
    table, own = _KINDS[field.unit]
    return table[unit] / table[own]


def all_units() -> frozenset[str]:
    """The name of every unit."""
    return frozenset(unit for table, _ in _KINDS.values() for unit in table)
