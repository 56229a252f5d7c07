"""Covariates and their levels in words, from the definition of the records."""

from __future__ import annotations

from pipelines.next_session_model.covariates import NO_PATTERN
from registry.definition import record_type
from registry.definition.codes import PATTERN_SCALE

from .. import wording
from ..labels import value_label

AGE, CALIBRE, PATTERN = "age_at_first_surgery_years", "hair_calibre_um", "pattern_stage"
_SCALES = {"norwood_hamilton": "Norwood–Hamilton", "ludwig": "Ludwig"}
_OWN = {
    ("medical_therapy", "any"): "Any therapy",
    ("medical_therapy", "none"): "No therapy",
    ("medical_therapy", "unknown"): "Not known, or not asked",
    ("further_sessions_planned", "yes"): "A further session planned",
    ("further_sessions_planned", "no"): "None planned",
}


def covariate_label(name: str) -> str:
    """A covariate as its field is called.

    >>> covariate_label("family_history"), covariate_label("all")
    ('Family history', 'All together')
    """
    if name == "all":
        return "All together"
    for record in ("patient", "session"):
        for field in record_type(record).fields:
            if field.name == name:
                return field.label
    return name


def level_label(covariate: str, level: str) -> str:
    """A level, or several pooled into one.

    >>> level_label("pattern_stage", "ludwig II+ludwig III"), level_label("age_at_first_surgery_years", "40")
    ('Ludwig II or III', '40 years')
    """
    if covariate == AGE:
        return f"{level} years"
    if covariate == CALIBRE:
        return f"each {level.lstrip('+')} micrometres more"
    parts = level.split("+")
    labels = [_one_level(covariate, part) for part in parts]
    first = labels[0].split(" ")[0]
    if len(labels) > 1 and covariate == PATTERN and all(label.startswith(f"{first} ") for label in labels):
        labels = [labels[0], *(label.removeprefix(f"{first} ") for label in labels[1:])]
    return wording.listed(labels, "or")


def _one_level(covariate: str, level: str) -> str:
    if (covariate, level) in _OWN:
        return _OWN[covariate, level]
    if covariate == PATTERN:
        if level == NO_PATTERN:
            return next(code.meaning for code in PATTERN_SCALE.codes if code.name == level)
        scale, stage = level.split(" ")
        return f"{_SCALES[scale]} {stage}"
    return value_label(covariate, level)


def lowered(label: str) -> str:
    """A label within a sentence; names of scales keep their capital.

    >>> lowered("Female"), lowered("Ludwig I")
    ('female', 'Ludwig I')
    """
    return label if label.startswith(tuple(_SCALES.values())) else label[:1].lower() + label[1:]
