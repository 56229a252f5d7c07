"""Clean rows of every record type, as the text of their files: from the fictional clinics, and from the definition."""

from __future__ import annotations

from functools import cache
from random import Random

import polars as pl

from registry import RECORD_TYPES, record_type
from registry.definition import SET_SEPARATOR, Field, Kind
from synthetic_data import SITES, SURGEONS, simulate


@cache
def fictional_clinics() -> dict[str, pl.DataFrame]:
    """The records of 1,500 fictional patients, as text."""
    return {
        name: frame.select(_as_text(column, kind) for column, kind in frame.schema.items())
        for name, frame in simulate(1_500, 4).frames.items()
    }


def _as_text(column: str, kind: pl.DataType) -> pl.Expr:
    match kind:
        case pl.Boolean():
            return pl.when(pl.col(column)).then(pl.lit("yes")).when(~pl.col(column)).then(pl.lit("no")).alias(column)
        case pl.List():
            return pl.col(column).list.join(SET_SEPARATOR)
        case _:
            return pl.col(column).cast(pl.String)


def any_rows(record: str, rows: int, seed: int) -> pl.DataFrame:
    """Rows in which each field takes any value that its declaration allows, independent of the others."""
    random = Random(seed)
    return pl.DataFrame(
        {field.name: [_any_value(field, random) for _ in range(rows)] for field in record_type(record).fields}
    )


def _any_value(field: Field, random: Random) -> str:
    names = field.codes.names if field.codes else ()
    match field.kind:
        case Kind.PSEUDONYM:
            letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"
            return "k" + "".join(random.choice(letters) for _ in range(random.randrange(17, 60)))
        case Kind.CODE:
            return random.choice(names)
        case Kind.CODE_SET:
            return SET_SEPARATOR.join(random.sample(names, random.randrange(1, 4)))
        case Kind.YES_NO:
            return random.choice(["yes", "no"])
        case Kind.DATE:
            return f"{random.randrange(2012, 2027)}-{random.randrange(1, 13):02d}-{random.randrange(1, 29):02d}"
        case Kind.INTEGER:
            return str(random.randint(int(field.low or 0), int(field.high or 0)))
        case Kind.NUMBER:
            value = random.uniform(field.low or 0, field.high or 0)
            return random.choice([f"{value:.0f}", f"{value:.1f}", f"{value:.3f}", repr(value)])
        case Kind.QUARTER:
            return f"{random.randrange(2012, 2027)}-Q{random.randrange(1, 5)}"
        case Kind.AREA_LABEL:
            return random.choice("ABCDEFGHIJKLMNOPQRSTUVWXYZ")
        case Kind.SITE:
            return random.choice(SITES)
        case Kind.SURGEON:
            return random.choice(SURGEONS)


RECORD_NAMES = [record.name for record in RECORD_TYPES]
