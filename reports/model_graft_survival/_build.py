"""From a registry to the finished page on what graft survival goes with."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from pipelines import FigureSet, figure_meta, graft_survival
from pipelines.graft_model import GraftModel, graft_model
from pipelines.graft_yield import graft_survival_model, graft_survival_selection
from registry import Registry

from .. import wording
from ..page import document
from ._data import GraftModelData
from ._sections.around import patients, selection
from ._sections.curves import curves
from ._sections.density import density
from ._sections.in_short import in_short
from ._sections.methods import methods
from ._sections.missing import missing
from ._sections.ratios import ratios

PAGE_FILE, FIGURES_FILE = "model_graft_survival.html", "figures.json"
_NAME = "What graft survival goes with"


@dataclass(frozen=True)
class GraftModelDocument:
    """A finished page. html: the page. figures_json: the figures that it shows, unrounded. data: what it shows."""

    html: str
    figures_json: str
    data: GraftModelData

    @property
    def model(self) -> GraftModel:
        return self.data.model


def build_graft_model_page(registry: Registry, *, as_of: date | None = None) -> GraftModelDocument:
    """The page. The same records, settings and version give the same bytes.

    Raises: GraftledgerError where too few patients have a mature count, or nothing differs between areas.
    """
    model = graft_model(registry, as_of=as_of)
    meta = figure_meta(registry, report="model graft-survival")
    data = GraftModelData(
        model,
        graft_survival(registry, as_of=as_of)[0],
        graft_survival_model(registry, as_of=as_of),
        graft_survival_selection(registry, as_of=as_of),
        registry.settings,
        meta,
    )
    parts = (
        in_short(data),
        density(data),
        curves(data),
        ratios(data),
        patients(data),
        selection(data),
        missing(data),
        methods(data),
    )
    cover = {
        "practice": registry.settings.practice,
        "name": _NAME,
        "data_date": wording.date_words(registry.data_date),
        "areas": wording.whole(model.areas),
        "patients": wording.whole(model.patients),
        "placed": wording.whole(model.placed),
        "snapshot": meta["snapshot"],
        "settings": meta["settings"],
        "version": meta["version"],
    }
    html = document("reports.model_graft_survival", _NAME, cover, [part for part in parts if part is not None])
    figures = (*model.figures, data.survival, *data.patients, *data.selection)
    return GraftModelDocument(html, FigureSet(meta, figures).to_json(), data)
