"""Which values of a file stand in a refusal."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from registry import RECORD_TYPES, GraftledgerError

_SHORTEST = 5
"""Shorter values may stand in any sentence by chance."""
_OWN_WORDS = frozenset(
    word
    for record in RECORD_TYPES
    for field in record.fields
    for word in (record.name, record.plural, field.name, *(field.codes.names if field.codes else ()))
)


def repeated_values(
    refusal: GraftledgerError, rows: Iterable[Sequence[str | None]], names: Sequence[str] = ()
) -> list[str]:
    """The values of these rows that a refusal repeats, but for column names and words of the definition and parts
    of them."""
    text, known = str(refusal), "\n".join([*_OWN_WORDS, *names])
    values = {value.strip() for row in rows for value in row if value}
    return sorted(value for value in values if len(value) >= _SHORTEST and value in text and value not in known)
