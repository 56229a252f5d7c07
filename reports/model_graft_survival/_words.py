"""Covariates and their levels in words, from the definition of the records."""

from __future__ import annotations

from pipelines.graft_model.covariates import DENSITY, SITE
from pipelines.next_session_model.preparing import Remark
from registry.definition import record_type

from .. import wording
from ..labels import value_label

_OWN = {
    DENSITY: "Density placed in the area",
    "transection_percent": "Grafts transected, of those taken",
    "grafts_total": "Size of the session",
    "method": "Method of counting",
}
UNITS = {DENSITY: "grafts per cm2", "out_of_body_minutes": "minutes", "grafts_total": "grafts"}
_MORE = {"transection_percent": "percentage points", "hair_calibre_um": "micrometres"}


def covariate_label(name: str) -> str:
    """A covariate as its field is called.

    >>> covariate_label("placed_density"), covariate_label("smoking"), covariate_label("zone")
    ('Density placed in the area', 'Smoking', 'Zone')
    """
    if name in _OWN:
        return _OWN[name]
    for record in ("graft_count", "session", "patient"):
        for field in record_type(record).fields:
            if field.name == name:
                return field.label
    return name


def level_label(covariate: str, level: str) -> str:
    """A level, or several pooled into one.

    >>> level_label("zone", "vertex+temples"), level_label("out_of_body_minutes", "205")
    ('Vertex (crown) or Temples', '205 minutes')
    >>> level_label("hair_calibre_um", "+10")
    'each 10 micrometres more'
    """
    if covariate in UNITS:
        return f"{wording.whole(round(float(level)))} {UNITS[covariate]}"
    if level.startswith("+"):
        return f"each {level.lstrip('+')} {_MORE.get(covariate, '')} more"
    return wording.listed([value_label(covariate, part) for part in level.split("+")], "or")


def lowered(label: str) -> str:
    """A label within a sentence."""
    return label[:1].lower() + label[1:]


def remark_words(remark: Remark) -> str:
    """What was done to a covariate."""
    name, areas = covariate_label(remark.covariate), wording.counted(remark.n, "area")
    match remark.kind:
        case "pooled" if remark.covariate == SITE:  # sites are not told apart on this page
            return f"{name}: small sites stand together ({areas})."
        case "pooled":
            levels = wording.listed([level_label(remark.covariate, level) for level in remark.levels])
            return f"{name}: {levels} stand together ({areas}), since one of them alone is too small."
        case "mostly_missing":
            return f"{name} is left out: it is not known for {areas}, more than half."
        case "straight":
            return f"{name} enters as a straight line: it takes too few values for a curve."
        case _:
            return f"{name} is left out: all areas known have the same value, or all groups but one are too small."
