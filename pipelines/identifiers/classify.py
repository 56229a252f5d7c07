"""The kind of identifier that a value looks like by its form, for many distinct values at once."""

from __future__ import annotations

import re
from functools import cache

import polars as pl

from .check_digits import CHECKED
from .dates import DECIMAL, NUMERIC_DATE, SHORT_DATE, TIMESTAMP
from .kinds import PRIORITY, IdentifierKind
from .value_patterns import PATTERNS, UUID

_OF_TEXT_WITHOUT_DATES = frozenset(
    {
        IdentifierKind.NATIONAL_NUMBER,
        IdentifierKind.PHONE,
        IdentifierKind.RECORD_NUMBER,
        IdentifierKind.LONG_NUMBER,
        IdentifierKind.NETWORK,
    }
)
_RUNS_NAMED = 1_000
"""Of runs of digits, which are refused for their length alone, so many are computed to name their kind."""


def classified(distinct: pl.Series) -> dict[str, IdentifierKind]:
    """The values that look like an identifier, with their kind. distinct: text, no nulls."""
    frame = pl.DataFrame({"value": distinct, "text": distinct.str.strip_chars()}).filter(
        ~pl.any_horizontal(pl.col("text").str.contains(form) for form in (DECIMAL, TIMESTAMP, SHORT_DATE, UUID))
    )
    if frame.is_empty():  # most columns; the patterns below take 20 ms to prepare
        return {}
    frame = frame.with_columns(pl.col("text").str.replace_all(NUMERIC_DATE, "|").alias("undated"))
    kinds: dict[str, IdentifierKind] = {}

    def note(values: list[str], kind: IdentifierKind) -> None:
        for value in values:
            if value not in kinds or PRIORITY[kind] < PRIORITY[kinds[value]]:
                kinds[value] = kind

    matched = frame.select("value", *(_matches(kind).alias(kind.name) for kind in PATTERNS)).filter(
        pl.any_horizontal(pl.exclude("value"))
    )
    for kind in PATTERNS:
        note(matched.filter(pl.col(kind.name))["value"].to_list(), kind)
    for kind, values in _checked(frame):
        note(values, kind)
    return kinds


def _matches(kind: IdentifierKind) -> pl.Expr:
    text = pl.col("undated" if kind in _OF_TEXT_WITHOUT_DATES else "text")
    return pl.any_horizontal(text.str.contains(pattern) for pattern in PATTERNS[kind])


def _checked(frame: pl.DataFrame) -> list[tuple[IdentifierKind, list[str]]]:
    run = pl.col("text").str.contains(r"^[0-9]{9,}$")
    few = pl.concat([frame.filter(~run), frame.filter(run).head(_RUNS_NAMED)])
    flags = few.select(
        "value",
        "undated",
        *(
            pl.col("undated").str.contains(rf"(?:^|[^0-9A-Za-z.,+])(?:{form})(?:$|[^0-9A-Za-z])").alias(str(number))
            for number, (_, form, _) in enumerate(CHECKED)
        ),
    )
    found = []
    for number, (kind, form, is_valid) in enumerate(CHECKED):
        candidates = flags.filter(pl.col(str(number))).select("value", "undated").rows()
        valid = [value for value, text in candidates if any(map(is_valid, _inside(form).findall(text)))]
        if valid:
            found.append((kind, valid))
    return found


@cache
def _inside(form: str) -> re.Pattern[str]:
    return re.compile(rf"(?<![0-9A-Za-z.,+])(?:{form})(?![0-9A-Za-z])")
