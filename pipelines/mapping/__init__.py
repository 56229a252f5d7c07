"""A site's own columns, answers, units and layouts to the registry's records, by one TOML file a site."""

from __future__ import annotations

from .apply import MappedTable, apply_mapping
from .faults import REASONS
from .load import load_mapping
from .model import Mapping

__all__ = ["REASONS", "MappedTable", "Mapping", "apply_mapping", "load_mapping"]
