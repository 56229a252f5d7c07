"""What a regression says when its rows cannot carry the model."""

from __future__ import annotations


class ModelError(ValueError):
    """Rows from which a model cannot be fitted: no events, columns that repeat each other, no end to the search.

    The message names columns and counts, never a record.
    """
