"""A first mapping, proposed from the column names and values of a site's files."""

from __future__ import annotations

from .proposing import propose_mapping

__all__ = ["propose_mapping"]
