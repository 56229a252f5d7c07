"""Covariates, levels, effects and remarks in words."""

from __future__ import annotations

from pipelines.complication_model.covariates import (
    DENSITY,
    HARVEST,
    MILESTONE,
    STRIP_PLAIN,
    STRIP_TRICHOPHYTIC,
    STRIP_UNKNOWN,
    ZONES,
)
from pipelines.complication_model.sessions import RATED_AT
from pipelines.figure import Figure
from pipelines.next_session_model.measures import COMPLETE
from pipelines.next_session_model.preparing import Remark
from registry.definition import record_type

from .. import wording
from ..labels import value_label

_OWN = {
    HARVEST: "Harvest and closure",
    DENSITY: "Placed density",
    MILESTONE: "Time since the session",
    "grafts_total": "Grafts placed",
}
_HARVEST = {
    STRIP_PLAIN: "Strip, plain closure",
    STRIP_TRICHOPHYTIC: "Strip, trichophytic closure",
    STRIP_UNKNOWN: "Strip, closure not recorded",
}
_MORE = {
    DENSITY: "grafts per cm² more",
    "grafts_total": "grafts more",
    "duration_hours": "hours more",
    "out_of_body_minutes": "minutes more",
    "age_at_first_surgery_years": "years older",
}


def covariate_label(name: str) -> str:
    """A covariate in words.

    >>> covariate_label("zone_vertex"), covariate_label("smoking"), covariate_label("all")
    ('Vertex (crown) among the zones', 'Smoking', 'All together')
    """
    if name == "all":
        return "All together"
    if name in ZONES:
        return f"{value_label('zone', ZONES[name])} among the zones"
    if name in _OWN:
        return _OWN[name]
    for record in ("patient", "session"):
        for field in record_type(record).fields:
            if field.name == name:
                return field.label
    return name


def level_label(covariate: str, level: str) -> str:
    """A level, or several pooled into one.

    >>> level_label("harvest", "strip_plain+combined"), level_label("grafts_total", "+500")
    ('Strip, plain closure or Both in one session', 'Each 500 grafts more')
    >>> level_label("duration_hours", "+1"), level_label("zone_vertex", "yes"), level_label("milestone", "year_2")
    ('Each hour more', 'Yes', 'Year 2')
    """
    if covariate in _MORE:
        number, words = level.lstrip("+"), _MORE[covariate]
        return f"Each {words.replace('hours', 'hour')}" if number == "1" else f"Each {number} {words}"
    return wording.listed([_one_level(covariate, part) for part in level.split("+")], "or")


def _one_level(covariate: str, level: str) -> str:
    if covariate in ZONES:
        return level.capitalize()
    if covariate == HARVEST:
        return _HARVEST.get(level) or value_label("technique", level)
    if covariate == MILESTONE:
        label = next(each.label for each in RATED_AT if each.name == level)
        return label[:1].upper() + label[1:]
    return value_label(covariate, level)


def lowered(label: str) -> str:
    """A label within a sentence."""
    return label[:1].lower() + label[1:]


def signed(value: float, decimals: int) -> str:
    """A difference with its sign.

    >>> signed(1.234, 1), signed(-0.26, 1), signed(0.04, 1) == signed(-0.04, 1) == "0.0"
    ('+1.2', '\N{MINUS SIGN}0.3', True)
    """
    text = f"{abs(value):.{decimals}f}"
    if float(text) == 0:
        return text
    return f"+{text}" if value > 0 else f"\N{MINUS SIGN}{text}"


def difference_words(figure: Figure, times: int = 1, decimals: int = 2) -> str:
    """A difference with its limits. times: of how many it is told, such as 1,000 sessions.

    Whole numbers where one of them has three digits.

    >>> difference_words(Figure("m", 9, "sessions", "x", estimate=0.005, lower=-0.001, upper=0.0123), 1000, 1)
    '+5.0 (\N{MINUS SIGN}1.0 to +12.3)'
    """
    if figure.estimate is None or figure.lower is None or figure.upper is None:
        return wording.NOT_SHOWN
    values = [value * times for value in (figure.estimate, figure.lower, figure.upper)]
    places = 0 if max(map(abs, values)) >= 99.5 else decimals
    estimate, lower, upper = (signed(value, places) for value in values)
    return f"{estimate} ({lower} to {upper})"


def remark_words(remark: Remark, unit: str, *, of_events: bool) -> str:
    """What was done to a covariate. unit: what a row of the model is, in the singular. of_events: a yes or no."""
    name = "Site" if remark.covariate == "site_code" else covariate_label(remark.covariate)
    levels = wording.listed([level_label(remark.covariate, level) for level in remark.levels])
    rows = wording.counted(remark.n, unit)
    match remark.kind:
        case "pooled" if remark.covariate == "site_code":
            return f"{name}: small sites stand together ({rows})."
        case "pooled":
            return f"{name}: {levels} stand together ({rows}), since one of them alone is too small."
        case "level_left_out" if remark.covariate == "site_code":
            return f"{name}: sites where nobody had the outcome are left out ({rows})."
        case "level_left_out":
            return f"{name}: {levels} ({rows}) left out: too few{', or nobody there had it' if of_events else ''}."
        case "mostly_missing":
            return f"{name} is left out: it is not known for {rows}, more than half."
        case "one_value":
            return f"{name} is left out: all known have the same value, or all groups but one are too small."
        case "no_estimate" if remark.covariate == COMPLETE:
            return f"The {rows} without any gap are too few, or too alike, for a model of their own."
        case _:
            return f"{name} is left out: it has no finite estimate here, or other covariates tell the same."
