"""Writing the report of an intake: the page and its figures."""

from __future__ import annotations

from pathlib import Path

from ..writing import write_report
from ._build import IntakeReportDocument

PAGE_FILE, FIGURES_FILE = "intake.html", "figures.json"


def write_intake_report(folder: Path, document: IntakeReportDocument, *, replace: bool = False) -> tuple[Path, Path]:
    """Write the page and its figures into a folder, which is made where it is missing. Returns their paths.

    replace: whether files of an earlier report may be replaced.
    Raises: GraftledgerError where a report is there already or the folder cannot be written. Then it is as before.
    """
    files = {PAGE_FILE: document.html, FIGURES_FILE: document.figures_json}
    page, figures = write_report(folder, files, "intake report", replace=replace)
    return page, figures
