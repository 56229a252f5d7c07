"""A site's own columns, answers, units and layouts to the registry's records, by one TOML file a site."""

from __future__ import annotations

from ._toml import OPEN
from .apply import MappedTable, apply_mapping
from .checking import check_lines, faulty_rows
from .faults import REASONS
from .files import encoding_of, left_out, read_sheets, refuse_identifying
from .load import load_mapping
from .model import Mapping
from .propose import propose_mapping
from .writing import UNREADABLE, faults_path, write_records

__all__ = [
    "OPEN",
    "REASONS",
    "UNREADABLE",
    "MappedTable",
    "Mapping",
    "apply_mapping",
    "check_lines",
    "encoding_of",
    "faults_path",
    "faulty_rows",
    "left_out",
    "load_mapping",
    "propose_mapping",
    "read_sheets",
    "refuse_identifying",
    "write_records",
]
