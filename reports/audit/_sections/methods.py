"""How the figures were made, and how they mislead."""

from __future__ import annotations

from ... import wording
from ...layout import Section
from .._data import AuditData


def methods(data: AuditData) -> Section:
    """Estimators with their sources, floors, and the limits of such records."""
    settings = data.settings
    return Section(
        "methods",
        "Cautions and methods",
        "methods.html",
        {
            "floor_at_risk": settings.floor_at_risk,
            "floor_denominator": settings.floor_denominator,
            "as_of": wording.date_words(data.quarter.last_on),
            "site_count": len(settings.sites),
        },
    )
