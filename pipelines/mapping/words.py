"""Texts compared: a site's own words and column names, whatever their case, accents and spaces."""

from __future__ import annotations

from functools import lru_cache

from ..identifiers.words import folded


@lru_cache(maxsize=100_000)
def plain(text: str) -> str:
    """Lower case, without accents, with single spaces for white space and underscores.

    >>> plain("  Größe_(MM) "), plain("III_vertex") == plain("iii  Vertex")
    ('grosse (mm)', True)
    """
    return " ".join(folded(text).replace("_", " ").split())
