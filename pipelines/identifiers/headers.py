"""Column names: which suggest an identifier, and which may be repeated in a message."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cache

from registry import RECORD_TYPES

from .header_words import ALONE, ANYWHERE, CLINICAL, COMPANIONS, phrases
from .kinds import PRIORITY, IdentifierKind
from .words import words_of

_FIELD_NAMES = frozenset(name for record in RECORD_TYPES for name in record.field_names)
_HEADS = {word: kind for kind, text in ALONE.items() for phrase in phrases(text) for word in phrase}
_COMPANIONS = frozenset(word for phrase in phrases(COMPANIONS) for word in phrase)
_GLUED = {
    "".join(phrase).rstrip("*"): kind
    for kind, text in ANYWHERE.items()
    for phrase in phrases(text)
    if len("".join(phrase).rstrip("*")) >= 7
}
"""Phrases long enough to be told inside a name written without gaps."""
_SHORTEST_GLUED_WORD = 3
_GLUED_ENDINGS = ("id", "no", "nr")
_MOST_DIGITS_SHOWN = 2


@cache
def suggested_kind(header: str) -> IdentifierKind | None:
    """The kind of identifier that a column's name suggests; None where it suggests none.

    >>> suggested_kind("Patient's last name"), suggested_kind("Doğum tarihi"), suggested_kind("name of technique")
    (<IdentifierKind.NAME: "a person's name">, <IdentifierKind.BIRTH_DATE: 'a date of birth'>, None)
    """
    if header in _FIELD_NAMES:
        return None
    words = tuple(word for word in words_of(header) if not word.isdigit())
    if not words:
        return None
    found = {*_anywhere(words), *(kind for word in words for glued, kind in _GLUED.items() if glued in word)}
    pieces = [_segmented(word) for word in words]
    if None not in pieces:
        found.update(kind for kinds in pieces if kinds for kind in kinds)
    return min(found, key=PRIORITY.__getitem__) if found else None


def _anywhere(words: Sequence[str]) -> Iterator[IdentifierKind]:
    for kind, phrase in _phrases():
        for start in range(len(words) - len(phrase) + 1):
            if all(_matches(word, words[start + at]) for at, word in enumerate(phrase)):
                yield kind


@cache
def _phrases() -> list[tuple[IdentifierKind, tuple[str, ...]]]:
    return [(kind, phrase) for kind, text in ANYWHERE.items() for phrase in phrases(text)]


def _matches(pattern: str, word: str) -> bool:
    return word.startswith(pattern[:-1]) if pattern.endswith("*") else word == pattern


@cache
def _segmented(word: str) -> frozenset[IdentifierKind] | None:
    """The kinds in a word that can be cut into `ALONE` words and companions without a rest; None where it cannot.

    >>> _segmented("phonenumber"), _segmented("of"), _segmented("technique")
    (frozenset({<IdentifierKind.PHONE: 'a telephone number'>}), frozenset(), None)
    """
    if word in _HEADS or word in _COMPANIONS:
        return frozenset({_HEADS[word]} if word in _HEADS else ())
    best: list[frozenset[IdentifierKind] | None] = [frozenset(), *[None] * len(word)]
    for end in range(1, len(word) + 1):
        for start in range(end):
            kinds, piece = best[start], word[start:end]
            long_enough = len(piece) >= _SHORTEST_GLUED_WORD or (end == len(word) and piece in _GLUED_ENDINGS)
            if kinds is not None and long_enough and (piece in _HEADS or piece in _COMPANIONS):
                best[end] = (best[end] or frozenset()) | kinds | ({_HEADS[piece]} if piece in _HEADS else frozenset())
    return best[-1]


@cache
def may_be_shown(header: str) -> bool:
    """Whether a column's name holds nothing but words known here, so that it cannot be somebody's name or number.

    >>> may_be_shown("patient_last_name"), may_be_shown("Anna's phone"), may_be_shown("phone 01712345678")
    (True, False, False)
    >>> may_be_shown("00:L")
    False
    """
    if header in _FIELD_NAMES:
        return True
    words = words_of(header)
    named = [word for word in words if not word.isdigit()]
    digits = sum(len(word) for word in words if word.isdigit())
    known = any(len(word) > 1 for word in named) and all(word in _known_words() for word in named)
    return known and digits <= _MOST_DIGITS_SHOWN


@cache
def _known_words() -> frozenset[str]:
    lists = [*ANYWHERE.values(), *ALONE.values(), COMPANIONS, CLINICAL]
    listed = {word.rstrip("*") for text in lists for phrase in phrases(text) for word in phrase}
    return frozenset(listed | {word for name in _FIELD_NAMES for word in words_of(name)})
