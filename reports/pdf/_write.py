"""Printing a report page."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from registry import Fault, GraftledgerError

from ._blocks import blocks_of
from ._tree import Element, read_page

if TYPE_CHECKING:
    import typst

PAPERS = {"a4": "a4", "letter": "us-letter"}
"""Sizes of paper, and what the typesetter calls them."""

_STANDARD: Literal["ua-1"] = "ua-1"
_SIZE, _COMPACT_SIZES = 10, (8.5, 8, 7.5, 7)
"""Points of running text."""


@dataclass(frozen=True)
class Pdf:
    """A printed page.

    is_accessible: whether it keeps to PDF/UA-1; it does not where the page holds a letter that no embedded font has.
    """

    content: bytes
    is_accessible: bool


def pdf_of(html_text: str, *, paper: str = "a4", compact: bool = False) -> Pdf:
    """A report page as PDF, tagged, with bookmarks, page numbers and repeated table heads.

    The same page gives the same bytes on every computer: only fonts that the typesetter brings along are used, and
    neither a clock nor a path goes in. What is for the screen alone is left out, and what can be folded is open.

    html_text: as `reports.page.document` makes it. paper: see PAPERS.
    compact: on one page where it fits at a size that can be read, with narrow margins and without a table of contents.
    Raises: GraftledgerError for another paper.
    """
    if paper not in PAPERS:
        raise GraftledgerError(Fault(f"'{paper}' is no paper.", mend=f"Choose {' or '.join(PAPERS)}."))
    page = read_page(html_text)
    content = {
        "title": next((title.text.strip() for title in page.all("title")), "Report"),
        "foot": _foot(page),
        "paper": PAPERS[paper],
        "compact": compact,
        "blocks": blocks_of(page),
    }
    sizes = (_SIZE,) if not compact else _COMPACT_SIZES
    size = next((size for size in sizes[:-1] if _page_count({**content, "size": size}) == 1), sizes[-1])
    return _compiled({**content, "size": size})


def _compiler(content: Mapping[str, Any]) -> typst.Compiler:
    import typst

    layout = (files("reports") / "pdf" / "report.typ").read_bytes()
    page = json.dumps(content, ensure_ascii=False)
    return typst.Compiler(layout, ignore_system_fonts=True, sys_inputs={"page": page})


def _compiled(content: Mapping[str, Any]) -> Pdf:
    import typst

    try:
        return Pdf(_bytes(_compiler(content).compile(format="pdf", pdf_standards=[_STANDARD])), is_accessible=True)
    except typst.TypstError as error:
        if "could not be displayed" not in str(error):
            raise
    return Pdf(_bytes(_compiler(content).compile(format="pdf")), is_accessible=False)


def _bytes(compiled: object) -> bytes:
    """A PDF is one piece; the typesetter gives a list only of pictures."""
    assert isinstance(compiled, bytes)
    return compiled


def _page_count(content: Mapping[str, Any]) -> int:
    return int(json.loads(_compiler(content).query("<page-count>", field="value", one=True)))


def write_pdf(html_text: str, path: Path, *, paper: str = "a4", compact: bool = False) -> Pdf:
    """Print a report page into a file, which must not be there yet. As `pdf_of`.

    Raises: GraftledgerError where the file is there already or cannot be written, and as `pdf_of`.
    """
    pdf = pdf_of(html_text, paper=paper, compact=compact)
    try:
        with path.open("xb") as file:
            file.write(pdf.content)
    except FileExistsError:
        raise GraftledgerError(Fault("the file is there already.", str(path), mend="Choose another name.")) from None
    except OSError as error:
        why = (error.strerror or "error").lower()
        raise GraftledgerError(Fault(f"the PDF could not be written ({why}).", str(path))) from None
    return pdf


def _foot(page: Element) -> str:
    """What stands under every printed page."""
    return next((meta.attributes["content"] for meta in page.all("meta") if meta.attributes.get("name") == "foot"), "")
