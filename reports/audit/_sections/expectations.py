"""What patients are told, held against the records."""

from __future__ import annotations

from ...expectations_table import expectations_table
from ...layout import Section
from .._data import AuditData


def expectations(data: AuditData) -> Section:
    """Each statement with its judgement, now and a year before."""
    told = data.told
    return Section(
        "expectations",
        "What patients are told",
        "expectations.html",
        {"table": expectations_table(told.judged, told.before, own=told.own, day=told.before_on)},
    )
