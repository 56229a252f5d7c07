"""What a regression says when its rows cannot carry the model."""

from __future__ import annotations


class ModelError(ValueError):
    """Rows from which a model cannot be fitted: no events, columns that repeat each other, no end to the search.

    columns: those at fault, where it is columns. The message names columns and counts, never a record.
    """

    def __init__(self, problem: str, columns: tuple[str, ...] = ()) -> None:
        super().__init__(f"{problem}: {', '.join(columns)}" if columns else problem)
        self.columns = columns


class SeparationError(ModelError):
    """A ratio has no finite best value: a group in which nobody, or everybody, had the event."""
