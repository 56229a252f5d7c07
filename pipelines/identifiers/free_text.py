"""Sentences among the values of a column whose meaning is not known."""

from __future__ import annotations

import polars as pl

_MOST_REPEATS = 2
_FEW_ROWS = 50
_WORDS, _WORDS_IN_FEW_ROWS = 5, 8
_BETWEEN_ANSWERS = r"[;,+|/&]"


def texts_written_afresh(column: pl.Series) -> list[str]:
    """Distinct values of many words that hardly repeat: somebody wrote them, they are no labels of codes.

    In a column of fewer than 50 rows a label may well stand once, so that only longer texts are taken. A rare
    combination of answers is told by its parts, each of which stands in another value too.
    """
    fewest = _WORDS if column.count() >= _FEW_ROWS else _WORDS_IN_FEW_ROWS
    long = column.drop_nulls().to_frame("text").filter(pl.col("text").str.count_matches(r"(?:^|\s)\p{L}{2,}") >= fewest)
    rare = long.group_by("text").len().filter(pl.col("len") <= _MOST_REPEATS)["text"]
    return rare.filter(~rare.is_in(_combinations(rare, column).implode())).to_list() if len(rare) else []


def _combinations(rare: pl.Series, column: pl.Series) -> pl.Series:
    """Those of the rare texts that are made of parts, every one of which stands in another value."""
    parts = (
        column.drop_nulls()
        .unique()
        .to_frame("text")
        .with_columns(pl.col("text").str.replace_all(_BETWEEN_ANSWERS, ";").str.split(";").alias("part"))
        .explode("part")
        .with_columns(pl.col("part").str.strip_chars())
        .with_columns(pl.col("text").n_unique().over("part").alias("texts"))
    )
    by_text = parts.filter(pl.col("text").is_in(rare.implode())).group_by("text").agg(pl.len(), pl.col("texts").min())
    return by_text.filter((pl.col("len") > 1) & (pl.col("texts") > 1))["text"]
