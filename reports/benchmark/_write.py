"""Writing a surgeon's page: the page, its figures and its print."""

from __future__ import annotations

from pathlib import Path

from ..writing import write_report
from ._build import FIGURES_FILE, PAGE_FILE, PDF_FILE, BenchmarkDocument


def write_benchmark(folder: Path, document: BenchmarkDocument, *, replace: bool = False) -> tuple[Path, ...]:
    """Write page, figures and PDF into a folder, which is made where it is missing. Returns their paths.

    replace: whether files of an earlier page may be replaced.
    Raises: GraftledgerError where a page is there already or the folder cannot be written. Then it is as before.
    """
    from ..pdf import pdf_of

    files: dict[str, str | bytes] = {
        PAGE_FILE: document.html,
        FIGURES_FILE: document.figures_json,
        PDF_FILE: pdf_of(document.html).content,
    }
    return write_report(folder, files, "benchmark", replace=replace)
