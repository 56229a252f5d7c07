"""Writing an audit: the page and its figures."""

from __future__ import annotations

from pathlib import Path

from ..writing import write_report

PAGE_FILE, FIGURES_FILE = "audit.html", "figures.json"


def write_audit(folder: Path, html: str, figures_json: str, *, replace: bool = False) -> tuple[Path, Path]:
    """Write the page and its figures into a folder, which is made where it is missing. Returns their paths.

    replace: whether files of an earlier audit may be replaced.
    Raises: GraftledgerError where an audit is there already or the folder cannot be written. Then it is as before.
    """
    page, figures = write_report(folder, {PAGE_FILE: html, FIGURES_FILE: figures_json}, "audit", replace=replace)
    return page, figures
