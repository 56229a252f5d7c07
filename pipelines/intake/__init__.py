"""How records come in: files are read whole, every row is checked, sound rows are loaded, the others held back.

The path of a delivery, one module a step: `paths` and `reading` turn files into text, `columns` tells the record
type, `staging` gathers all files in temporary tables, `typed` finds what is new, `checks` derives the expectations
from the one definition, `rules` computes rules as boolean columns, `validation` runs Great Expectations, `judging`
puts them in order, `known_keys` decides about keys that the registry holds, `loading` writes in one transaction, and
`counting` makes the report.
"""

from __future__ import annotations

from .report import FileCount, IntakeReport, RuleCount
from .run import run_intake

__all__ = ["FileCount", "IntakeReport", "RuleCount", "run_intake"]
