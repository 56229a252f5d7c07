"""Yield along the other numbers that enter as curves."""

from __future__ import annotations

from pipelines.graft_model.covariates import DENSITY

from ...layout import Section
from .._data import GraftModelData
from .._words import covariate_label, lowered
from .density import curve_picture


def curves(data: GraftModelData) -> Section | None:
    """None where no other covariate is a curve."""
    names = [one.name for one in data.model.used if one.covariate.kind == "curve" and one.name != DENSITY]
    if not names:
        return None
    pictures = [
        (curve_picture(data, name), f"Share of placed grafts growing by {lowered(covariate_label(name))}")
        for name in names
    ]
    return Section("curves", "Time out of the body and session size", "curves.html", {"pictures": pictures})
