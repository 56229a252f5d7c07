"""What the page cannot tell, and how it was made."""

from __future__ import annotations

from pipelines.graft_model.measures import DISPERSION
from registry.milestones import mature_window_label

from ...layout import Section
from .._data import GraftModelData


def methods(data: GraftModelData) -> Section:
    """Limits of the page, and the methods with their sources."""
    (dispersion,) = data.model.of(DISPERSION)
    return Section(
        "methods",
        "Limits and methods",
        "methods.html",
        {
            "dispersion": f"{dispersion.estimate or 0:.1f}",
            "sets": data.model.sets,
            "one_site": len(data.settings.sites) == 1,
            "window": mature_window_label(data.settings.mature_window),
            "floor": data.settings.floor_denominator,
        },
    )
