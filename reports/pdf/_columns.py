"""How wide the columns of a printed table are, from the lengths of what stands in them."""

from __future__ import annotations

from collections.abc import Sequence

_MOST_LETTERS = 34
"""A cell is wrapped rather than made wider than this."""


def column_weights(heads: Sequence[str], rows: Sequence[Sequence[Sequence[str]]]) -> tuple[list[float], int]:
    """Shares of the width, one a column, and the letters that the longest words of all columns take side by side.

    heads: of the columns. rows: of cells, each a list of lines. A row that is shorter counts as far as it goes.
    Between the longest word, which must not be broken, and the longest line, which may be, lies what a column gets.

    >>> column_weights(["Site", "Sessions recorded"], [[["North"], ["12"]]])
    ([5.0, 11.6], 13)
    """
    words, lines = [], []
    for at, head in enumerate(heads):
        cells = [line for row in rows if at < len(row) for line in row[at]]
        words.append(max((len(word) for text in (head, *cells) for word in text.split()), default=1))
        lines.append(max((min(len(text), _MOST_LETTERS) for text in (head, *cells)), default=1))
    weights = [round(word + 0.4 * max(line - word, 0), 1) for word, line in zip(words, lines, strict=True)]
    return [max(weight, 4.0) for weight in weights], sum(words)
