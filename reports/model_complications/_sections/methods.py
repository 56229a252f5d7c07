"""How it was made, and how it misleads."""

from __future__ import annotations

from pipelines.complication_model.model import EVENTS_FOR_A_COLUMN

from ...layout import Section
from .._data import SessionModelData


def methods(data: SessionModelData) -> Section:
    """Estimators with their sources, rules and limits."""
    return Section(
        "methods",
        "Cautions and methods",
        "methods.html",
        {
            "kind": data.kind.name,
            "when": data.outcome.when if data.outcome else "",
            "firth": data.model.firth,
            "sets": data.model.sets,
            "floor": data.settings.floor_denominator,
            "for_a_column": EVENTS_FOR_A_COLUMN,
            "one_site": len(data.settings.sites) == 1,
        },
    )
