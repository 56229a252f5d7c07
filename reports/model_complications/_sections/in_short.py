"""What goes with the outcome, and how sure, in plain sentences."""

from __future__ import annotations

from collections.abc import Iterator

from pipelines.complication_model.covariates import STRIP_UNKNOWN, ZONES
from pipelines.figure import Figure

from ... import wording
from ...charts.ratio_plot import two_digits
from ...layout import Section
from .._data import Measure, SessionModelData
from .._words import covariate_label, level_label, lowered, signed


def in_short(data: SessionModelData) -> Section:
    """A sentence for each difference that the records tell, and one for those they do not."""
    analysis = data.analyses[0][1]
    figures = data.effects(data.main, analysis)
    clear = [figure for figure in figures if is_clear(data.main, figure)]
    told = {figure.group["covariate"] for figure in clear}
    unclear = [name for name in dict.fromkeys(f.group["covariate"] for f in figures) if name not in told]
    return Section(
        "in-short",
        "In short",
        "in_short.html",
        {
            "who": who(data),
            "subject": data.kind.subject,
            "told": [sentence(data, analysis, figure) for figure in clear],
            "unclear": wording.listed([lowered(covariate_label(name)) for name in unclear], "or"),
            "none": "1, which means no difference" if data.main.ratio else "0, which means no difference",
            "cautions": list(_cautions(data)),
        },
    )


def who(data: SessionModelData) -> str:
    """Who is in the model, and what was seen among them."""
    model = data.model
    rows = f"{wording.counted(model.sessions, data.kind.unit)} of {wording.counted(model.patients, 'patient')}"
    if data.outcome and data.share:
        return (
            f"{rows}, each assessed for {data.kind.subject} ({data.outcome.when}). "
            f"Of all assessed, {wording.share_words(data.share)} had it: {wording.fraction(data.share)}."
        )
    if data.kind.name == "scar-width":
        return f"{rows} that took a strip alone, with its scar measured from month 6 to month 18, nearest to month 12."
    return f"{rows}, on a scale from 0 (worst) to 10 (best), at month 6, month 12, and years 2, 3 and 5."


def is_clear(measure: Measure, figure: Figure) -> bool:
    """Whether the interval leaves out no difference, rests on enough, and tells of something known."""
    nothing = 1.0 if measure.ratio else 0.0
    if figure.lower is None or figure.upper is None or "too_few" in figure.flags:
        return False
    if STRIP_UNKNOWN in figure.group["level"]:  # to be unknown is nothing that anybody could compare with
        return False
    return figure.lower > nothing or figure.upper < nothing


def sentence(data: SessionModelData, analysis: str, figure: Figure) -> str:
    """One difference in words, with what it means in numbers of sessions, millimetres or points."""
    covariate, against = figure.group["covariate"], figure.group.get("against")
    level = lowered(level_label(covariate, figure.group["level"]))
    start = f"{covariate_label(covariate)}: {level} goes with "
    beside = f"{lowered(level_label(covariate, against))}" if against else ""
    if covariate in ZONES:
        start, beside = f"{covariate_label(covariate)} goes with ", "sessions without it"
    limits = f"({wording.level_words(figure.level)} interval {_limits(data.main, figure)})"
    if not data.main.ratio:
        value = figure.estimate or 0
        text = f"{start}a scar {abs(value):.2f} mm {'wider' if value > 0 else 'narrower'}"
        return f"{text}{' than ' + beside if beside else ''} {limits}."
    text = f"{start}{two_digits(figure.estimate or 0)} times the odds{' of ' + beside if beside else ''} {limits}"
    second = data.kind.measures[1]
    other = data.matching(second, analysis, figure)
    if other is None or other.estimate is None:
        return f"{text}."
    value = other.estimate * second.times
    if data.outcome:
        told = f"about {abs(value):.1f} {'more' if value > 0 else 'fewer'} in {second.times:,} sessions"
    else:
        told = f"about {abs(value):.2f} points {'more' if value > 0 else 'less'} on average"
    return f"{text}: {told} ({_limits(second, other)})."


def _limits(measure: Measure, figure: Figure) -> str:
    limits = (figure.lower or 0, figure.upper or 0)
    if measure.ratio:
        return f"{two_digits(limits[0])} to {two_digits(limits[1])}"
    return " to ".join(signed(limit * measure.times, measure.decimals) for limit in limits)


def _cautions(data: SessionModelData) -> Iterator[str]:
    model = data.model
    yield (
        "These are associations among past patients, not causes. Nothing here says that doing one thing in place of "
        "another would change the outcome, and nothing here is a forecast for one patient."
    )
    yield (
        "A technique, a closure or a density is chosen for a patient. Whoever takes the harder cases has more "
        "complications and less satisfied patients at the same skill. A long session may mark a hard case, not cause "
        "one."
    )
    if data.outcome and model.firth:
        yield (
            f"{wording.counted(model.events, 'session')} with the outcome for {model.columns} coefficients are few. "
            "The estimates hold back for that (Firth’s penalty), yet the intervals are wide: read those, not the dots."
        )
    if data.kind.name == "scar-width":
        yield "A wide scar that brings a patient back is measured more often than one that nobody minds."
    if data.kind.name == "satisfaction":
        yield "Whoever is dissatisfied may stay away. Those who rate at year 5 are a chosen few."
    if model.sampled:
        yield (
            f"The model was fitted to {wording.counted(model.drawn, 'patient')} drawn at random of "
            f"{wording.whole(model.of_patients)}."
        )
    yield (
        "Not a verdict on a surgeon, a site or a technique. What it means for a patient is for a licensed clinician to "
        "say."
    )
