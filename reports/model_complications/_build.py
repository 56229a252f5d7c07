"""From a registry to the finished page of a model of what follows a session."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from pipelines import FigureSet, figure_meta
from pipelines.complication_model import complication_model, satisfaction_model, scar_width_model
from pipelines.complication_model.outcomes import outcome
from registry import Registry

from .. import wording
from ..page import document
from ._data import SATISFACTION, SCAR, SessionModelData, complication_kind
from ._sections.checks import checks
from ._sections.effects import effects
from ._sections.in_short import in_short
from ._sections.methods import methods
from ._sections.missing import missing

FIGURES_FILE = "figures.json"


@dataclass(frozen=True)
class SessionModelDocument:
    """A finished page. html: the page. figures_json: the figures that it shows, unrounded. data: what it shows."""

    html: str
    figures_json: str
    data: SessionModelData


def page_file(name: str) -> str:
    """The file of a model's page.

    >>> page_file("scar-width")
    'model_scar_width.html'
    """
    return f"model_{name.replace('-', '_')}.html"


def build_session_model_page(
    registry: Registry, name: str, of: str | None = None, *, as_of: date | None = None
) -> SessionModelDocument:
    """The page. The same records, settings and version give the same bytes.

    name: `complications`, `scar-width` or `satisfaction`. of: which complication, for the first.
    Raises: GraftledgerError where too few were assessed, or nothing differs between sessions.
    """
    chosen = outcome(of or "") if name == "complications" else None
    if chosen:
        model = complication_model(registry, chosen.name, as_of=as_of)
        kind = complication_kind(chosen, model.events / model.sessions)
    elif name == SCAR.name:
        model, kind = scar_width_model(registry, as_of=as_of), SCAR
    else:
        model, kind = satisfaction_model(registry, as_of=as_of), SATISFACTION
    meta = figure_meta(registry, report=f"model {name}", **({"outcome": chosen.name} if chosen else {}))
    data = SessionModelData(kind, model, chosen, registry.settings, meta, registry.data_date)
    sections = [
        section
        for section in (in_short(data), effects(data), checks(data), missing(data), methods(data))
        if section is not None
    ]
    cover = {
        "practice": registry.settings.practice,
        "name": kind.title,
        "data_date": wording.date_words(registry.data_date),
        "unit": f"{kind.unit}s".capitalize(),
        "rows": wording.whole(model.sessions),
        "patients": wording.whole(model.patients),
        "events": wording.whole(model.events) if chosen else "",
        "snapshot": meta["snapshot"],
        "settings": meta["settings"],
        "version": meta["version"],
    }
    html = document("reports.model_complications", kind.title, cover, sections)
    return SessionModelDocument(html, FigureSet(meta, model.figures).to_json(), data)
