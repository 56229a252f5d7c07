"""Text cells of a CSV that a spreadsheet opens: none of them runs as a formula."""

from __future__ import annotations

import polars as pl

_FORMULA = r"('*[=+\-@\t\r])"
"""What a spreadsheet takes for the beginning of a formula, and the same with apostrophes before it."""


def guarded(frame: pl.DataFrame) -> pl.DataFrame:
    """The table with an apostrophe before each text that a spreadsheet would run; `unguarded` takes it away again.

    >>> guarded(pl.DataFrame({"a": ["=1+1", "'=2", "b"], "n": [1, 2, 3]}))["a"].to_list()
    ["'=1+1", "''=2", 'b']
    """
    return frame.with_columns(pl.col(pl.String).str.replace(f"^{_FORMULA}", "'${1}"))


def unguarded(frame: pl.DataFrame) -> pl.DataFrame:
    """The table as it was before `guarded`.

    >>> unguarded(guarded(pl.DataFrame({"a": ["=1+1", "'=2", "'b"]})))["a"].to_list()
    ['=1+1', "'=2", "'b"]
    """
    return frame.with_columns(pl.col(pl.String).str.replace(f"^'{_FORMULA}", "${1}"))
