"""Words compared: accents, case and word boundaries taken out of the way."""

from __future__ import annotations

import re
import unicodedata

_NO_DECOMPOSITION = str.maketrans({"ı": "i", "ł": "l", "ø": "o", "đ": "d", "æ": "ae", "œ": "oe", "ß": "ss", "þ": "th"})
_CAMEL = re.compile(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])|(?<=[A-Za-z])(?=[0-9])|(?<=[0-9])(?=[A-Za-z])")
_WORD = re.compile(r"[a-z]+|[0-9]+")


def folded(text: str) -> str:
    """Lower case without accents.

    >>> folded("Doğum Tarihi"), folded("Straße"), folded("Imię")
    ('dogum tarihi', 'strasse', 'imie')
    """
    letters = unicodedata.normalize("NFKD", text.translate(_NO_DECOMPOSITION))
    plain = "".join(letter for letter in letters if not unicodedata.combining(letter))
    return plain.casefold().translate(_NO_DECOMPOSITION)


def words_of(name: str) -> tuple[str, ...]:
    """The words and numbers of a column name.

    >>> words_of("PatientLastName_2"), words_of("D.O.B."), words_of("grafts_total"), words_of("IPAddress")
    (('patient', 'last', 'name', '2'), ('d', 'o', 'b'), ('grafts', 'total'), ('ip', 'address'))
    """
    upper_kept = "".join(
        letter for letter in unicodedata.normalize("NFKD", name) if not unicodedata.combining(letter)
    ).replace("İ", "I")
    return tuple(_WORD.findall(folded(_CAMEL.sub(" ", upper_kept))))
