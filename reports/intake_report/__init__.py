"""The report of one intake: a page for the data manager, and the figures that it shows."""

from ._build import IntakeReportDocument, build_intake_report, gather, lay_out
from ._commands import Step, steps
from ._data import IntakeData, SiteTrend
from ._sections.came_in import sentences
from ._sections.to_do import is_missing, status_words
from ._write import write_intake_report

__all__ = [
    "IntakeData",
    "IntakeReportDocument",
    "SiteTrend",
    "Step",
    "build_intake_report",
    "gather",
    "is_missing",
    "lay_out",
    "sentences",
    "status_words",
    "steps",
    "write_intake_report",
]
