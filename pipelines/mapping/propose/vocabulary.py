"""Words by which sites call records, fields and codes: those of the definition, and the synonyms beside this module."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib.resources import files
from typing import Any

from registry import RECORD_TYPES
from registry.definition import Field, Kind, RecordType

from ...identifiers.words import words_of
from ..words import plain

# fmt: off
_FILL = frozenset((
        "of", "the", "on", "in", "at", "to", "a", "der", "die", "das", "des", "dem", "am", "im", "an", "de",
        "la", "le", "les", "du", "el", "los", "las", "del", "en", "s", "und", "et", "y",
))
# fmt: on


_SAME_AS = {
    **dict.fromkeys(("id", "ids", "code", "kode", "pseudonym", "schlussel", "codigo", "clave", "identifier"), "key"),
    **dict.fromkeys(("nr", "nummer", "num", "numero", "anzahl", "nombre"), "number"),
}


@cache
def _synonyms() -> dict[str, Any]:
    return tomllib.loads((files(__package__) / "synonyms.toml").read_text(encoding="utf-8"))


def telling_words(name: str) -> tuple[str, ...]:
    """The words of a name that tell something, those for a key and for a number each as one word.

    >>> telling_words("Datum der OP"), telling_words("Patient ID"), telling_words("OP #")
    (('datum', 'op'), ('patient', 'key'), ('op', 'number'))
    """
    words = words_of(name.replace("#", " number "))
    return tuple(_SAME_AS.get(word, word) for word in words if word not in _FILL) or words


def _listed(text: str) -> list[str]:
    return [entry.strip() for entry in text.split(",") if entry.strip()]


@cache
def record_names(record: RecordType) -> tuple[tuple[str, ...], ...]:
    """The ways in which a sheet of such records may be called."""
    names = [record.name, record.plural, *_listed(_synonyms()["record"].get(record.name, ""))]
    return tuple(dict.fromkeys(telling_words(name) for name in names))


@cache
def field_names(record: RecordType, field: Field) -> tuple[tuple[str, ...], ...]:
    """The ways in which a column of the field may be called, its own name first."""
    own = [field.name, field.label]
    return tuple(
        dict.fromkeys(
            telling_words(name) for name in [*own, *_listed(_synonyms()["field"][record.name].get(field.name, ""))]
        )
    )


@cache
def field_words() -> frozenset[tuple[str, ...]]:
    """The words of every field's own name, in which a unit is part of the name."""
    return frozenset(telling_words(field.name) for record in RECORD_TYPES for field in record.fields)


@cache
def code_answers(field: Field) -> dict[str, str]:
    """The ways in which a code of the field may be written, as `plain` has them; those of two codes are left out."""
    if field.kind is Kind.YES_NO:
        names = {"yes": "yes", "no": "no"}
        synonyms = _synonyms()["code"]["yes_no"]
    elif field.codes is not None:
        names = {code.name: code.meaning for code in field.codes.codes}
        synonyms = _synonyms()["code"].get(field.codes.name, {})
    else:
        return {}
    found: dict[str, set[str]] = {}
    for code, meaning in names.items():
        for answer in [meaning, *_listed(synonyms.get(code, ""))]:
            found.setdefault(plain(answer), set()).add(code)
    answers = {answer: codes.copy().pop() for answer, codes in found.items() if len(codes) == 1}
    return answers | {plain(code): code for code in names}
