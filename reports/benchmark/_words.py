"""Results, factors and steps in words that judge nobody."""

from __future__ import annotations

from pipelines.comparison.factors import NOT_KNOWN
from pipelines.comparison.measures import ComparedMeasure
from pipelines.comparison.results import MeasureComparison, SurgeonResult, Told
from registry import Settings
from registry.definition import record_type

from .. import wording
from ..charts.ratio_plot import two_digits
from ..labels import value_label
from ..layout import Cell

_EXTENT = {
    "early": "Norwood–Hamilton I to III",
    "middle": "Norwood–Hamilton IV and V",
    "advanced": "Norwood–Hamilton VI and VII",
    "ludwig": "Ludwig I to III",
    "none": "No pattern scale",
}
_FACTORS = {"extent_of_loss": "Extent of hair loss", "operated_before": "Operated on before"}
_METHODS = {
    "logistic": "Logistic regression",
    "firth": "Logistic regression with Firth’s penalty",
    "quasi_binomial": "Quasi-binomial regression of grafts",
    "cox": "Cox regression",
    "no_factors": "Nothing adjusted for: too few events",
}


def why_not_words(result: SurgeonResult, floor: int) -> str:
    """Why there is no comparison, or none to rely on."""
    return {
        "no_sessions": "no session in the period",
        "none_assessed": "no session of which it can be told",
        "too_few": f"fewer than {floor} sessions: too few to compare",
        "no_reference": "fewer than two other surgeons to compare with",
        "nothing_expected": "no event among the others to compare with",
    }.get(result.why_not or "", "")


def position_words(comparison: MeasureComparison, result: SurgeonResult, floor: int) -> str:
    """Where the result lies, in neutral words."""
    if result.why_not:
        return why_not_words(result, floor)
    position = result.position
    if position is None:
        return "no limits to compare with"
    if result.flag == "priority_review":
        return "priority review: beyond the 99.8% limit on the unfavourable side"
    if result.flag == "alert":
        return "alert: beyond the 95% limit on the unfavourable side"
    if position.flag:
        return "beyond a limit by itself, but not once all measures are allowed for"
    if position.beyond_favourable:
        return "beyond the 95% limit on the favourable side"
    return "inside the limits"


def told_ratio(told: Told) -> str:
    """A ratio with its limits, for a sentence."""
    return f"{two_digits(told.estimate)} ({two_digits(told.lower)} to {two_digits(told.upper)})"


def ratio_cell(told: Told | None, *, few: bool) -> Cell:
    """A ratio over its limits."""
    if told is None:
        return Cell(wording.NOT_SHOWN, few=True)
    return Cell(two_digits(told.estimate), (f"{two_digits(told.lower)} to {two_digits(told.upper)}",), few)


def told_share(told: Told | None, *, few: bool) -> Cell:
    """A share over its limits."""
    if told is None:
        return Cell("–", few=few)
    return Cell(wording.percent(told.estimate), (wording.interval(told.lower, told.upper),), few)


def counted_words(measure: ComparedMeasure, result: SurgeonResult) -> str:
    """Events out of how many.

    >>> from pipelines.comparison.measures import COMPARED
    >>> counted_words(COMPARED["infection"], SurgeonResult("S1", 40, 38, 2, 40, {}))
    '2 of 40 sessions'
    """
    unit = "sessions" if measure.model == "share" else "grafts"
    return f"{wording.whole(result.observed)} of {wording.whole(result.size)} {unit}"


def judged_words(measure: ComparedMeasure, settings: Settings) -> str:
    """When the outcome is judged, with the days that the practice has set."""
    if measure.model == "share":
        return measure.judged
    first, last = settings.mature_window
    return f"{measure.judged}: on days {first} to {last}"


def factor_label(name: str) -> str:
    """A factor in words.

    >>> factor_label("smoking"), factor_label("operated_before")
    ('Smoking', 'Operated on before')
    """
    return _FACTORS.get(name) or next((f.label for f in record_type("patient").fields if f.name == name), name)


def factor_level(name: str, level: str) -> str:
    """A level of a factor in words.

    >>> factor_level("smoking", "not_known"), factor_level("extent_of_loss", "ludwig")
    ('Not known', 'Ludwig I to III')
    """
    if level == NOT_KNOWN:
        return "Not known"
    if name == "extent_of_loss":
        return _EXTENT[level]
    if name in ("operated_before", "diabetes"):
        return level.capitalize()
    return value_label(name, level)


def method_words(method: str) -> str:
    """How a case-mix model was fitted."""
    return _METHODS[method]


def lowered(label: str) -> str:
    """A label within a sentence."""
    return label[:1].lower() + label[1:]
