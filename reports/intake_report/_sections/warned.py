"""What came in with a warning, by rule."""

from __future__ import annotations

from pipelines.intake_batch import total
from registry.definition import Severity

from ... import wording
from ...layout import Section
from .._data import IntakeData
from ._checks import check_table


def warned(data: IntakeData) -> Section:
    """One table."""
    table = check_table("Warnings, the most rows first", data.batch.found(Severity.WARN))
    rows = wording.counted(total(data.batch.files).warned, "row")
    return Section("warned", "What came in with a warning", "warned.html", {"table": table, "rows": rows})
