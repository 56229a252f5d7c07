"""From a registry to the finished page on who has a next session sooner."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from pipelines import FigureSet, figure_meta
from pipelines.next_session_model import NextSessionModel, next_session_model
from registry import Registry

from .. import wording
from ..page import document
from ._data import ModelData
from ._sections.age import age
from ._sections.checks import checks
from ._sections.forms import forms
from ._sections.in_short import in_short
from ._sections.methods import methods
from ._sections.missing import missing
from ._sections.ratios import ratios

PAGE_FILE, FIGURES_FILE = "model_next_session.html", "figures.json"
_NAME = "Who has a next session sooner"


@dataclass(frozen=True)
class ModelDocument:
    """A finished page. html: the page. figures_json: the figures that it shows, unrounded. model: what it shows."""

    html: str
    figures_json: str
    model: NextSessionModel


def build_model_page(registry: Registry, *, recurrent: bool = False, as_of: date | None = None) -> ModelDocument:
    """The page. The same records, settings and version give the same bytes.

    Raises: GraftledgerError where too few next sessions were seen, or nothing differs between patients.
    """
    model = next_session_model(registry, recurrent=recurrent, as_of=as_of)
    meta = figure_meta(registry, report="model next-session", recurrent=recurrent)
    data = ModelData(model, registry.settings, meta, registry.data_date, recurrent)
    sections = [
        section
        for section in (
            in_short(data),
            ratios(data),
            age(data),
            checks(data),
            missing(data),
            forms(data),
            methods(data),
        )
        if section is not None
    ]
    cover = {
        "practice": registry.settings.practice,
        "name": _NAME,
        "data_date": wording.date_words(registry.data_date),
        "patients": wording.whole(model.spells),
        "events": wording.whole(model.events),
        "snapshot": meta["snapshot"],
        "settings": meta["settings"],
        "version": meta["version"],
    }
    html = document("reports.model_next_session", _NAME, cover, sections)
    return ModelDocument(html, FigureSet(meta, model.figures).to_json(), model)
