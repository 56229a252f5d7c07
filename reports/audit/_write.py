"""Writing an audit: the page, its print, its figures and its tables."""

from __future__ import annotations

from pathlib import Path

from ..writing import write_report
from ._build import AuditDocument

PAGE_FILE, PDF_FILE, FIGURES_FILE, TABLES_FILE = "audit.html", "audit.pdf", "figures.json", "tables.xlsx"

FILES = (PAGE_FILE, PDF_FILE, FIGURES_FILE, TABLES_FILE)


def write_audit(
    folder: Path, document: AuditDocument, pdf: bytes, *, replace: bool = False
) -> tuple[Path, Path, Path, Path]:
    """Write page, PDF, figures and tables into a folder, which is made where it is missing. Returns their paths.

    pdf: the page in print. replace: whether files of an earlier audit may be replaced.
    Raises: GraftledgerError where an audit is there already or the folder cannot be written. Then it is as before.
    """
    files: dict[str, str | bytes] = {
        PAGE_FILE: document.html,
        PDF_FILE: pdf,
        FIGURES_FILE: document.figures_json,
        TABLES_FILE: document.tables,
    }
    page, printed, figures, tables = write_report(folder, files, "audit", replace=replace)
    return page, printed, figures, tables
