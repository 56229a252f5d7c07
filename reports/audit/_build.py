"""From a registry to the finished audit."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from pipelines import FigureSet
from registry import Fault, GraftledgerError, Registry
from registry.errors import nearest
from registry.settings import SETTINGS_FILE

from ..layout import Section
from ..pdf import Pdf, pdf_of
from ._comments import Comments
from ._data import AuditData
from ._gather import gather
from ._page import cover, page
from ._quarter import parse_quarter
from ._sections.actions import actions
from ._sections.attention import attention
from ._sections.comparison import comparison
from ._sections.complications import complications
from ._sections.definitions import definitions
from ._sections.expectations import expectations
from ._sections.follow_up import follow_up
from ._sections.held_back import held_back
from ._sections.in_short import in_short
from ._sections.methods import methods
from ._sections.next_session import next_session
from ._sections.numbness import numbness
from ._sections.process import process
from ._sections.ratings import ratings
from ._sections.records import records
from ._sections.sign_off import sign_off
from ._sections.survival import graft_survival
from ._workbook import workbook


def _comparison(data: AuditData) -> Section:
    assert data.compared is not None
    return comparison(data.compared, data.settings.floor_denominator)


_SECTIONS: Mapping[str, Callable[[AuditData], Section]] = {
    "attention": attention,
    "in-short": in_short,
    "records": records,
    "follow-up": follow_up,
    "held-back": held_back,
    "next-session": next_session,
    "complications": complications,
    "numbness": numbness,
    "graft-survival": graft_survival,
    "ratings": ratings,
    "process": process,
    "expectations": expectations,
    "comparison": _comparison,
    "actions": actions,
    "methods": methods,
    "definitions": definitions,
    "sign-off": sign_off,
}
"""In the order of a reader's questions: what to do, what happened, can it be trusted, then each matter in depth."""
_ALWAYS = frozenset({"attention", "records", "methods", "definitions"})
"""Without these a reader could not tell how far to trust the rest."""


@dataclass(frozen=True)
class AuditDocument:
    """A finished audit.

    html: the page. figures_json: the figures that it shows, unrounded. tables: a workbook of its tables.
    """

    html: str
    figures_json: str
    tables: bytes

    def pdf(self, paper: str = "a4") -> Pdf:
        """The page in print. Raises: GraftledgerError for another paper than `reports.pdf.PAPERS` has."""
        return pdf_of(self.html, paper=paper)


def build_audit(
    registry: Registry,
    quarter: str,
    *,
    on: date | None = None,
    comments: Comments | None = None,
    previous: Mapping[str, Any] | None = None,
) -> AuditDocument:
    """The audit of a quarter, written `2026-Q3`.

    The same records, agreed actions, reviews, settings, comments and version give the same bytes.
    on, comments, previous: as `gather`.

    Raises: GraftledgerError where the quarter is written otherwise or lies after the data, where no site has declared
    up to when its records are complete, or settings or comments name a section that there is not.
    """
    wanted = _wanted(registry.settings.audit_leaves_out)
    return lay_out(gather(registry, parse_quarter(quarter), on=on, comments=comments, previous=previous), wanted)


def lay_out(data: AuditData, wanted: tuple[str, ...] = tuple(_SECTIONS)) -> AuditDocument:
    """The audit of figures gathered before."""
    sections = [_SECTIONS[name](data) for name in wanted if name != "comparison" or data.compared]
    comments = data.comments.for_sections({section.id: section.heading for section in sections}, "comments")
    sections = [replace(section, comment=comments.get(section.id, ())) for section in sections]
    facts = cover(data)
    about = [
        (name, str(facts[key]))
        for name, key in (
            ("Practice", "practice"),
            ("Quarter", "quarter"),
            ("Records complete to", "data_date"),
            ("Snapshot of the records", "snapshot"),
            ("Settings", "settings"),
            ("Program", "version"),
        )
    ]
    return AuditDocument(page(data, sections), FigureSet(data.meta, data.figures).to_json(), workbook(sections, about))


def _wanted(left_out: tuple[str, ...]) -> tuple[str, ...]:
    """The sections that are switched on."""
    may = [name for name in _SECTIONS if name not in _ALWAYS]
    faults = [
        Fault(
            f"'{name}' cannot be left out." if name in _ALWAYS else f"'{name}' is no section. {nearest(name, may)}",
            SETTINGS_FILE,
            field="audit.leave_out",
        )
        for name in left_out
        if name not in may
    ]
    if faults:
        raise GraftledgerError(*faults)
    return tuple(name for name in _SECTIONS if name not in left_out)
