"""What the sheet says: one line a figure, whom it is of, and the cautions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from pipelines.complication_kinds import COMPLICATION_LABELS
from pipelines.consultation import Topic
from pipelines.consultation.sheet import SWELLING_DEGREES
from pipelines.figure import Figure
from pipelines.graft_measures import BELOW_80
from pipelines.measures import MEASURE_LABELS, MEDIAN_FOLLOW_UP, NEXT_SESSION_WITH_DEATH, SESSION_LENGTH, SUTURES_OUT
from registry.definition import record_type
from registry.durations import time_label

from .. import wording
from ..labels import value_label

TOPICS: Mapping[str, str] = {
    "next_session": "A further session here",
    "early_weeks": "The first weeks",
    "healing": "How long it lasts",
    "yield": "How much grows",
    "the_day": "The day of surgery, and sutures",
}
CAUTION = (
    "For the clinician. These figures describe past patients of this registry: they are no forecast for the person "
    "here, no promise and no advice. The clinician's judgement, local law and data-protection rules come first."
)
THERAPY = (
    "Medical therapy is not asked for: in the records it marks who was treated, not what a drug does, so a figure by "
    "therapy would mislead."
)
YIELD = "Counted in small marked areas of those who came back to be counted: not the yield of a whole head."

_EARLY = (*SWELLING_DEGREES, "severe_swelling", "bruised_eyes", "folliculitis", "infection")
_STILL = {
    "crusts_still": "Crusts still there after",
    "shedding_still": "Shedding still going on after",
    "first_growth_still": "No new growth seen yet after",
    "numbness_still": "Some numbness, donor or recipient, after",
}
_LABELS = {**COMPLICATION_LABELS, **MEASURE_LABELS}
_GIVEN_UP = {
    "session_size": "size of the session",
    "pattern_stage": "stage",
    "technique": "technique",
    "sex": "sex",
    "age_band": "exact age band",
}


@dataclass(frozen=True)
class Line:
    """One line of the sheet. label: what. words: how often, how long."""

    label: str
    words: str
    figure: Figure


def lines_of(topic: Topic) -> list[Line]:
    """The lines of a topic."""
    if topic.name == "early_weeks":
        shown = [figure for figure in topic.figures if figure.measure in _EARLY]
    else:
        shown = [figure for figure in topic.figures if figure.measure != MEDIAN_FOLLOW_UP]
    return [Line(_label(figure), line_words(figure), figure) for figure in shown]


def line_words(figure: Figure) -> str:
    """How often, or how long, with what lies around it."""
    if figure.measure not in (SESSION_LENGTH, SUTURES_OUT):
        return wording.frequency_words(figure)
    if figure.estimate is None or figure.lower is None or figure.upper is None or "too_few" in figure.flags:
        return "too few to say"
    if figure.measure == SESSION_LENGTH:
        return f"{figure.estimate:.1f} hours (middle half of sessions {figure.lower:.1f} to {figure.upper:.1f})"
    return f"day {figure.estimate:.0f} (middle half of sessions day {figure.lower:.0f} to {figure.upper:.0f})"


def basis_words(topic: Topic) -> list[str]:
    """Whom the figures are of, what could not be matched, and how long they were followed."""
    sentences = [f"Past patients {_who(topic)}."]
    if topic.match.given_up:
        given_up = wording.listed([_GIVEN_UP[name] for name in topic.match.given_up])
        sentences.append(f"Not matched: {given_up}, since too few past patients are like that.")
    if not topic.enough:
        sentences.append("Even all of them together are few: read with care.")
    if topic.name == "next_session":
        first = topic.figures[0]
        sentences.append(
            f"{wording.counted(first.n, 'patient')}, first operated on here. Whoever died first counts as having had "
            "none."
        )
        median = next((figure for figure in topic.figures if figure.measure == MEDIAN_FOLLOW_UP), None)
        if median is not None and median.estimate is not None:
            sentences.append(f"The records follow half of them for {wording.time_words(median.estimate)} or longer.")
    else:
        counts = sorted({line.figure.n for line in lines_of(topic) if line.figure.n})
        unit = topic.figures[0].n_unit
        if counts:
            least, most = wording.whole(counts[0]), wording.whole(counts[-1])
            sentences.append(f"{most} {unit}." if least == most else f"{least} to {most} {unit}, by line.")
    if topic.name == "yield":
        sentences.append(YIELD)
    return sentences


def _who(topic: Topic) -> str:
    where = topic.match.where
    if not where:
        return "of every kind"
    parts: list[str] = []
    for name, values in where.items():
        said = [_value(name, value) for value in values]
        if name == "age_band":
            parts.insert(0, f"aged {wording.listed(said, 'or')} at the first surgery")
        elif name == "session_size":
            parts.append(f"with {wording.listed(said, 'or')} grafts")
        else:
            parts.append(wording.listed(said, "or"))
    return ", ".join(parts)


def _value(name: str, value: str) -> str:
    if name == "pattern_stage":
        scale, stage = value.split(" ", 1)
        scale_label = record_type("patient").field("pattern_scale").codes
        meaning = (
            next((code.meaning for code in scale_label.codes if code.name == scale), scale) if scale_label else scale
        )
        return f"{meaning} {stage.replace('_', ' ')}"
    label = value_label(name, value)
    return label if name == "age_band" else label[0].lower() + label[1:]


def _label(figure: Figure) -> str:
    if figure.measure in _STILL and figure.at is not None:
        return f"{_STILL[figure.measure]} {_time(figure.at)}"
    if figure.measure == NEXT_SESSION_WITH_DEATH.measure and figure.at is not None:
        return f"Within {time_label(figure.at)}"
    if figure.measure == SESSION_LENGTH:
        return "Length of a session"
    if figure.measure == SUTURES_OUT:
        return "Sutures out (strips)"
    if figure.measure == BELOW_80:
        return "Patients in whom less than 80% of them grew"
    label = _LABELS[figure.measure]
    if figure.measure in _EARLY and figure.window:
        return f"{label} by day {figure.window.split('-')[1]}"
    return "Placed grafts that grew, at a mature count" if figure.measure == "graft_survival" else label


def _time(days: int) -> str:
    return f"{days} days" if days < 60 else time_label(days)
