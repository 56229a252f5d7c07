"""Keys that are no pseudonym: chart numbers, names and other identifiers where a random key belongs."""

from __future__ import annotations

from functools import cache

import polars as pl

from registry import record_type
from registry.definition import Field

from .check_digits import iban_countries
from .classify import classified
from .kinds import IdentifierKind
from .value_patterns import UUID

_TELLING = "|".join(
    (
        r"^[0-9_-]+$",  # a number, however it is grouped
        r"^(?i:mrn|chart|nhc|ipp|fall|akte|patnr|patno)[-_]?[0-9_-]{4,}$",
        r"^[A-Z][a-z]+(?:[-_][A-Z][a-z]+)+(?:[-_]?[0-9]{1,8})?$",  # Firstname_Lastname
        r"^[a-z]{2,}(?:[-_][a-z]{2,})+(?:[-_]?[0-9]{1,8})?$",
        r"^[A-Z]{2,}(?:[-_][A-Z]{2,})+(?:[-_]?[0-9]{1,8})?$",
        r"(?:^|[-_])(?:19|20)[0-9]{2}[-_]?(?:0[1-9]|1[0-2])[-_]?(?:0[1-9]|[12][0-9]|3[01])(?:$|[-_])",  # a date
    )
)
PATIENT_KEY = record_type("patient").field("patient_key")
_MOST_KEYS = 0.9


def keys_that_tell(distinct: pl.Series, field: Field) -> dict[str, IdentifierKind]:
    """Those of the distinct values that are no pseudonym. distinct: text, no nulls.

    A pseudonym has the form of the definition and is not made of digits alone; it is no word or two with a number,
    no date with something around it, and no account or tax number by its check digits.
    """
    assert field.pattern is not None
    frame = pl.DataFrame({"key": distinct})
    key = pl.col("key")
    malformed = ~key.str.contains(field.pattern)
    doubtful = frame.filter(malformed | key.str.contains(_TELLING))
    unfit = doubtful.filter(malformed | ~key.str.contains(UUID))["key"]
    found = dict.fromkeys(unfit.to_list(), IdentifierKind.NO_PSEUDONYM)
    numbers = frame.filter(key.str.contains(_account_or_tax_number()))["key"]
    return found | classified(pl.concat([unfit, numbers]).unique())


@cache
def _account_or_tax_number() -> str:
    return (
        rf"(?i)^(?:(?:{'|'.join(iban_countries())})[0-9]{{2}}[a-z0-9]{{11,30}}"
        r"|[a-z]{6}[0-9lmnp-v]{2}[a-ehlmprst][0-9lmnp-v]{2}[a-z][0-9lmnp-v]{3}[a-z])$"
    )


def keys_among(distinct: pl.Series) -> pl.Series:
    """The keys of a column of unknown meaning: none, or all that have a pseudonym's form where nearly all values do.

    Words of a site joined by underscores have that form too; what tells a column of keys is that letters and digits
    are mixed.
    """
    formed = distinct.str.contains(PATIENT_KEY.pattern or "")
    share = (formed & distinct.str.contains("[0-9]") & distinct.str.contains("[A-Za-z]")).mean()
    return distinct.filter(formed) if isinstance(share, float) and share >= _MOST_KEYS else distinct.clear()


def all_pseudonyms(distinct: pl.Series) -> bool:
    """Whether a column of unknown meaning holds values, and every one could be a pseudonym."""
    return len(distinct) > 0 and not keys_that_tell(distinct, PATIENT_KEY)
