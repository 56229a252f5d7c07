"""How it was made, and how it misleads."""

from __future__ import annotations

from pipelines.next_session_model.preparing import KNOTS, LEAST_EVENTS

from ... import wording
from ...layout import Section
from .._data import ModelData


def methods(data: ModelData) -> Section:
    """Estimators with their sources, rules and limits."""
    return Section(
        "methods",
        "Cautions and methods",
        "methods.html",
        {
            "sets": data.model.sets,
            "floor": data.settings.floor_denominator,
            "least_events": LEAST_EVENTS,
            "knots": wording.listed([f"{knot:g}" for knot in data.model.knots]) if data.model.knots else "",
            "knot_count": len(data.model.knots) or KNOTS,
            "recurrent": data.recurrent,
            "one_site": len(data.settings.sites) == 1,
        },
    )
