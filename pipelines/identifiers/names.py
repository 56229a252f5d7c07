"""Names of people among the values of a column.

`Lastname, Firstname` has a form of its own; a code list has it too (`Hairline, Vertex`). Such a list gives itself
away by known words, or because each of its words stands in more than one of the column's values. Without the comma,
two to four words are a name where one of them is a common given name. A given name or a surname by itself is not
told from a word; names that hold neither a comma, a title nor a common given name are not found.
"""

from __future__ import annotations

from collections import Counter

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
    values_with = Counter(word for value in with_comma for word in set(words_of(value)))
    return [value for value in with_comma if not _is_list(value, values_with)] + list(filter(has_given_name, few_words))


def has_given_name(text: str) -> bool:
    """Whether a common given name stands beside another word.

    >>> has_given_name("Anna Krawczyk"), has_given_name("Anna"), has_given_name("mid scalp")
    (True, False, False)
    """
    words = words_of(text)
    return len(words) > 1 and any(word in GIVEN_NAMES for word in words)


def _is_list(text: str, values_with: Counter[str]) -> bool:
    return not has_given_name(text) and all(is_answer_word(word) or values_with[word] > 1 for word in words_of(text))
