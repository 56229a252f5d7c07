"""From a registry to the finished audit."""

from __future__ import annotations

from dataclasses import dataclass

from pipelines import FigureSet
from registry import Registry

from ._data import AuditData
from ._gather import gather
from ._page import page
from ._quarter import parse_quarter
from ._sections.complications import complications
from ._sections.definitions import definitions
from ._sections.held_back import held_back
from ._sections.in_short import in_short
from ._sections.methods import methods
from ._sections.next_session import next_session
from ._sections.numbness import numbness
from ._sections.records import records
from ._sections.survival import graft_survival

_SECTIONS = (
    in_short,
    records,
    next_session,
    complications,
    numbness,
    graft_survival,
    held_back,
    methods,
    definitions,
)


@dataclass(frozen=True)
class AuditDocument:
    """A finished audit. html: the page. figures_json: the figures that it shows, unrounded."""

    html: str
    figures_json: str


def build_audit(registry: Registry, quarter: str) -> AuditDocument:
    """The audit of a quarter, written `2026-Q3`. The same records, settings and version give the same bytes.

    Raises: GraftledgerError where the quarter is written otherwise or lies after the data, or where no site has
    declared up to when its records are complete.
    """
    return lay_out(gather(registry, parse_quarter(quarter)))


def lay_out(data: AuditData) -> AuditDocument:
    """The audit of figures gathered before."""
    html = page(data, [section(data) for section in _SECTIONS])
    return AuditDocument(html, FigureSet(data.meta, data.figures).to_json())
