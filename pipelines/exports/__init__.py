"""Exports for research: analysis-ready tables of a cohort, as safe to share as their level says."""

from .columns import Level, level_named
from .disclosure import DEFAULT_K, Disclosure
from .formats import FORMATS, formats_named
from .ledger import Export, exports_with, list_exports
from .run import Exported, export_cohort, let_out

__all__ = [
    "DEFAULT_K",
    "FORMATS",
    "Disclosure",
    "Export",
    "Exported",
    "Level",
    "export_cohort",
    "exports_with",
    "formats_named",
    "let_out",
    "level_named",
    "list_exports",
]
