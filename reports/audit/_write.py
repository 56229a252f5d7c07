"""Writing an audit: the page, its print, its figures and its tables."""

from __future__ import annotations

from pathlib import Path

from ..writing import write_report
from ._build import AuditDocument

PAGE_FILE, PDF_FILE, FIGURES_FILE, TABLES_FILE = "audit.html", "audit.pdf", "figures.json", "tables.xlsx"


def write_audit(
    folder: Path, document: AuditDocument, *, paper: str = "a4", replace: bool = False
) -> tuple[Path, Path, Path, Path]:
    """Write page, PDF, figures and tables into a folder, which is made where it is missing. Returns their paths.

    replace: whether files of an earlier audit may be replaced.
    Raises: GraftledgerError where an audit is there already, the folder cannot be written or the paper is unknown.
    Then it is as before.
    """
    files: dict[str, str | bytes] = {
        PAGE_FILE: document.html,
        PDF_FILE: document.pdf(paper),
        FIGURES_FILE: document.figures_json,
        TABLES_FILE: document.tables,
    }
    page, pdf, figures, tables = write_report(folder, files, "audit", replace=replace)
    return page, pdf, figures, tables
