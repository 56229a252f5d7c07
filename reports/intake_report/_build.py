"""From a registry to the finished report of an intake."""

from __future__ import annotations

import shlex
from dataclasses import dataclass
from pathlib import Path

from pipelines import FigureSet
from registry import Registry

from .. import wording
from ..page import document
from ._data import IntakeData, gather_data
from ._sections.came_back import came_back
from ._sections.came_in import came_in
from ._sections.provenance import provenance
from ._sections.to_do import to_do
from ._sections.trend import trend
from ._sections.warned import warned

_SECTIONS = (came_in, to_do, warned, came_back, trend, provenance)


@dataclass(frozen=True)
class IntakeReportDocument:
    """A finished report. html: the page. figures_json: the figures that it shows, unrounded."""

    html: str
    figures_json: str


def gather(registry: Registry, intake_id: int | None = None, *, folder: Path = Path(".")) -> IntakeData:
    """One intake; the latest that took files in where none is named.

    folder: of the registry, as the commands in the report name it.
    Raises: GraftledgerError where there was no such intake, or the event judged no rows.
    """
    option = "" if folder == Path(".") else f" --registry {shlex.quote(str(folder))}"
    return gather_data(registry, intake_id, option)


def lay_out(data: IntakeData) -> IntakeReportDocument:
    """The report of what was gathered. The same registry, settings and version give the same bytes."""
    batch = data.batch
    cover = {
        "name": data.name,
        "practice": data.meta["practice"],
        "received_at": data.received_words,
        "received_by": batch.received_by,
        "sites": wording.listed(list(batch.sites)) or "not known",
        "files": len({file.sha256 for file in batch.files}),
        "snapshot": batch.snapshot_after,
        "version": data.meta["version"],
        "settings": data.meta["settings"],
    }
    html = document("reports.intake_report", f"Report of intake {batch.intake_id}", cover, [s(data) for s in _SECTIONS])
    return IntakeReportDocument(html, FigureSet(data.meta, data.figures).to_json())


def build_intake_report(
    registry: Registry, intake_id: int | None = None, *, folder: Path = Path(".")
) -> IntakeReportDocument:
    """Gather and lay out at once; see `gather`."""
    return lay_out(gather(registry, intake_id, folder=folder))
