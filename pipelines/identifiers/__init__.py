"""The de-identification gate: column names and values that may identify somebody stop a file."""

from __future__ import annotations

from .cells import TableFacts, telling_cells, telling_columns
from .gate import bounded, find_identifiers, refuse_identifiers
from .headers import may_be_shown
from .kinds import IdentifierKind

__all__ = [
    "IdentifierKind",
    "TableFacts",
    "bounded",
    "find_identifiers",
    "may_be_shown",
    "refuse_identifiers",
    "telling_cells",
    "telling_columns",
]
