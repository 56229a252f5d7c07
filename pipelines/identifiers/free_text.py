"""Sentences among the values of a column whose meaning is not known."""

from __future__ import annotations

import polars as pl

_MOST_REPEATS = 2
_FEW_ROWS = 50
_WORDS, _WORDS_IN_FEW_ROWS = 5, 8


def texts_written_afresh(column: pl.Series) -> list[str]:
    """Distinct values of many words that hardly repeat: somebody wrote them, they are no labels of codes.

    In a column of fewer than 50 rows a label may well stand once, so that only longer texts are taken.
    """
    fewest = _WORDS if column.count() >= _FEW_ROWS else _WORDS_IN_FEW_ROWS
    long = column.drop_nulls().to_frame("text").filter(pl.col("text").str.count_matches(r"(?:^|\s)\p{L}{2,}") >= fewest)
    return long.group_by("text").len().filter(pl.col("len") <= _MOST_REPEATS)["text"].to_list()
