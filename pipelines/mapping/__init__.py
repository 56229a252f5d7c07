"""A site's own columns, answers, units and layouts to the registry's records, by one TOML file a site."""

from __future__ import annotations

from .apply import MappedTable, apply_mapping
from .checking import check_lines, faulty_rows
from .faults import REASONS
from .files import read_sheets, refuse_identifying
from .load import load_mapping
from .model import Mapping
from .propose import propose_mapping

__all__ = [
    "REASONS",
    "MappedTable",
    "Mapping",
    "apply_mapping",
    "check_lines",
    "faulty_rows",
    "load_mapping",
    "propose_mapping",
    "read_sheets",
    "refuse_identifying",
]
