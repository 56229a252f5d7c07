"""How records come in: files are read whole, every row is checked, sound rows are loaded, the others held back.

The path of a delivery, one module a step: `incoming` reads files, has them looked at for identifiers and mapped,
`columns` tells the record type, `staging` gathers all rows in temporary tables (`names`), `entries` finds which rows
held back before are among them and which now have their parent, `aliases` and `barring` tell whose keys were merged,
erased or withdrawn. `typed` finds what is new, `checks` derives the expectations from the one definition, `rules`
computes rules as boolean columns, `frames` hands them out, `validation` runs Great Expectations, `judging` puts all in
order. `loading` writes in one transaction with `holding`, `closing` and `bookkeeping`; `counting` makes the report.
"""

from __future__ import annotations

from .declaring import declare_activity
from .report import FileCount, IntakeReport, ReturnedCount, RuleCount
from .run import retry_held_back, run_intake

__all__ = [
    "FileCount",
    "IntakeReport",
    "ReturnedCount",
    "RuleCount",
    "declare_activity",
    "retry_held_back",
    "run_intake",
]
