"""What a column of an exported file is, and how it follows from a field of the one definition."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

from registry import literal, quoted
from registry.definition import Code, Field, Kind
from registry.errors import GraftledgerError

UNKNOWN = "unknown"
"""The code for "asked, and not known"; an empty value means not asked."""
WITHHELD = Code("withheld", "Recorded, but not shown: too few patients share the answer")
KEY_LETTERS = 24
"""Hexadecimal letters of a key made for one export: 96 bits, so that no two meet."""
DAYS_STEP = 7
"""At the anonymous level days are rounded to the nearest whole week."""


class Level(StrEnum):
    """How far an export may travel; there is no default."""

    INTERNAL = "internal"
    LIMITED = "limited"
    ANONYMOUS = "anonymous"


class Type(StrEnum):
    """What a column holds, by its name in Table Schema."""

    TEXT = "string"
    CODE = "code"
    YES_NO = "boolean"
    DATE = "date"
    INTEGER = "integer"
    NUMBER = "number"


_TYPES = {Kind.DATE: Type.DATE, Kind.YES_NO: Type.YES_NO, Kind.INTEGER: Type.INTEGER, Kind.NUMBER: Type.NUMBER}
"""Types of the kinds of field that leave as they are; all others are text."""


@dataclass(frozen=True)
class Column:
    """One column of one file.

    sql: expression over the table's relation `t`. codes: of a CODE column. required: never empty.
    refers_to: the table whose key it repeats. source: the field it comes from.
    """

    name: str
    type: Type
    label: str
    meaning: str
    sql: str
    codes: tuple[Code, ...] = ()
    low: float | None = None
    high: float | None = None
    unit: str | None = None
    required: bool = False
    refers_to: str | None = None
    source: str = ""


def columns_of(field: Field, level: Level, *, refers_to: str | None = None, with_sites: bool = True) -> list[Column]:
    """The columns that a field becomes at a level; none where it may not leave.

    A set of codes becomes one yes/no column a code. At the anonymous level a date becomes days since the index
    session, and sites and people are left out.
    """
    sql = f"t.{quoted(field.name)}"

    def as_it_is(kind: Type, codes: tuple[Code, ...] = ()) -> list[Column]:
        return [
            Column(
                field.name,
                kind,
                field.label,
                field.meaning,
                sql,
                codes=codes,
                low=field.low,
                high=field.high,
                unit=field.unit,
                required=field.required,
                refers_to=refers_to,
                source=field.name,
            )
        ]

    match field.kind:
        case Kind.PSEUDONYM:
            fresh = "Made for this export; the same in all of its tables."
            kept = as_it_is(Type.TEXT)
            return kept if level is Level.INTERNAL else [replace(column, meaning=fresh) for column in kept]
        case Kind.SITE | Kind.SURGEON if level is Level.ANONYMOUS or not with_sites:
            return []
        case Kind.DATE if level is Level.ANONYMOUS:
            return [days_since_index(field)]
        case Kind.CODE_SET:
            assert field.codes is not None
            return [
                Column(
                    f"{field.name}_{code.name}",
                    Type.YES_NO,
                    f"{field.label}: {code.meaning}",
                    f"{field.meaning} Yes where the answer names {code.name}; empty where nothing was answered.",
                    f"list_contains({sql}, {literal(code.name)})",
                    source=field.name,
                )
                for code in field.codes.codes
            ]
        case Kind.CODE:
            assert field.codes is not None
            return as_it_is(Type.CODE, field.codes.codes + ((WITHHELD,) if level is Level.ANONYMOUS else ()))
        case _:
            return as_it_is(_TYPES.get(field.kind, Type.TEXT))


def days_since_index(field: Field) -> Column:
    """The column that takes the place of a date where no date may leave."""
    return Column(
        f"{field.name.removesuffix('_on')}_day",
        Type.INTEGER,
        field.label,
        f"{field.meaning} In days since the index session, to the nearest whole week.",
        f"t.{quoted(field.name)} - t.index_on",
        unit="days",
        source=field.name,
    )


def level_named(name: str) -> Level:
    """The level of that name. Raises: GraftledgerError for none or another."""
    try:
        return Level(name)
    except ValueError:
        known = ", ".join(Level)
        asked = f"There is no level '{name}'." if name else "Say how far the export may travel: --level."
        raise GraftledgerError(f"{asked} Known: {known}. There is no default.") from None
