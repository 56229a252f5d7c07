"""Which of a site's answers are known words for a code."""

from __future__ import annotations

import re
from collections.abc import Mapping as MappingOf

import polars as pl

from ..words import plain


def answer_parts(texts: pl.Series, separator: str | None) -> list[str]:
    """The distinct answers in texts that hold several of them, in their first spelling."""
    parts: dict[str, str] = {}
    for text in texts:
        for part in text.split(separator) if separator else [text]:
            if answer := part.strip():
                parts.setdefault(plain(answer), answer)
    return list(parts.values())


def known_code(answer: str, answers: MappingOf[str, str]) -> str | None:
    """The code of an answer, signs taken for spaces where it is not known as it stands."""
    text = plain(answer)
    return answers.get(text) or answers.get(" ".join(re.sub(r"[-.+/&]", " ", text).split()))


def answers_known(texts: pl.Series, answers: MappingOf[str, str], separator: str | None) -> float:
    """The share of the distinct answers that are known."""
    parts = answer_parts(texts, separator)
    return sum(known_code(part, answers) is not None for part in parts) / len(parts) if parts else 0.0
