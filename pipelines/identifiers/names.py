"""Names of people among the values of a column.

`Lastname, Firstname` has a form of its own; a code list has it too (`Hairline, Vertex`). Such a list gives itself
away by known words, or because each of its parts also stands alone in the column, or now before a comma and now
behind one. Without the comma, two to four words are a name where one of them is a common given name. A given name or
a surname by itself is not told from a word; names that hold neither a comma, a title nor a common given name are not
found.
"""

from __future__ import annotations

import polars as pl

from .given_names import GIVEN_NAMES
from .value_patterns import FEW_WORDS, LAST_FIRST_NAME
from .vocabulary import is_answer_word
from .words import words_of


def names_among(distinct: pl.Series) -> list[str]:
    """Those of the distinct values of one column that look like somebody's name."""
    trimmed = distinct.str.strip_chars()
    with_comma = distinct.filter(trimmed.str.contains(LAST_FIRST_NAME)).to_list()
    few_words = distinct.filter(trimmed.str.contains(FEW_WORDS)).to_list()
    parts = [_parts(value) for value in with_comma]
    before, behind = {first for first, *_ in parts}, {part for _, *later in parts for part in later}
    of_lists = (before & behind) | set(distinct.filter(~trimmed.str.contains(",")).to_list() if parts else [])
    names = [
        value
        for value, own in zip(with_comma, parts, strict=True)
        if has_given_name(value) or not all(_is_answer(part, of_lists) for part in own)
    ]
    return names + [value for value in few_words if has_given_name(value)]


def has_given_name(text: str) -> bool:
    """Whether a common given name stands beside another word.

    >>> has_given_name("Anna Krawczyk"), has_given_name("Anna"), has_given_name("mid scalp")
    (True, False, False)
    """
    words = words_of(text)
    return len(words) > 1 and any(word in GIVEN_NAMES for word in words)


def _is_answer(part: str, of_lists: set[str]) -> bool:
    return part in of_lists or all(map(is_answer_word, words_of(part)))


def _parts(text: str) -> list[str]:
    return [part.strip() for part in text.split(",")]
