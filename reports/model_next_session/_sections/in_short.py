"""What goes with a sooner next session, and how sure, in plain sentences."""

from __future__ import annotations

from collections.abc import Iterator

from pipelines.figure import Figure
from pipelines.next_session_model.measures import CONCORDANCE

from ... import wording
from ...charts.ratio_plot import two_digits
from ...layout import Section
from .._data import ModelData
from .._words import AGE, covariate_label, level_label, lowered


def in_short(data: ModelData) -> Section:
    """A sentence for each covariate that the records tell apart, and one for those they do not."""
    model = data.model
    clear, unclear = clear_and_not(data.ratios(data.headline))
    return Section(
        "in-short",
        "In short",
        "in_short.html",
        {
            "who": f"{wording.counted(model.spells, 'patient')} whose first surgery was here, followed from their "
            f"first session; {wording.whole(model.events)} had a next session here.",
            "told": _sentences(clear),
            "unclear": wording.listed([lowered(covariate_label(name)) for name in unclear], "or"),
            "worth": _worth(data),
            "cautions": list(_cautions(data)),
        },
    )


def clear_and_not(figures: list[Figure]) -> tuple[list[Figure], list[str]]:
    """Ratios whose interval leaves out 1 and that rest on enough; and covariates without one."""
    clear = [
        figure
        for figure in figures
        if figure.lower is not None
        and figure.upper is not None
        and "too_few" not in figure.flags
        and (figure.lower > 1 or figure.upper < 1)
    ]
    told = {figure.group["covariate"] for figure in clear}
    return clear, [name for name in dict.fromkeys(f.group["covariate"] for f in figures) if name not in told]


def _sentences(clear: list[Figure]) -> list[str]:
    """One for all ages together, and one for each other ratio."""
    ages = [figure for figure in clear if figure.group["covariate"] == AGE]
    sentences = []
    if ages:
        told = [f"{_times(figure)} at {figure.group['level']} years {_limits(figure)}" for figure in ages]
        sentences.append(
            f"Age at first surgery, against {ages[0].group['against']} years: the rate of next sessions is "
            f"{wording.listed(told)}."
        )
    for figure in clear:
        covariate, against = figure.group["covariate"], figure.group.get("against")
        if covariate == AGE:
            continue
        text = f"{covariate_label(covariate)}: {lowered(level_label(covariate, figure.group['level']))} goes with "
        text += f"{_times(figure)} the rate"
        text += f" of {lowered(level_label(covariate, against))}" if against else ""
        sentences.append(f"{text} {_limits(figure)}.")
    return sentences


def _times(figure: Figure) -> str:
    return f"{two_digits(figure.estimate or 0)} times"


def _limits(figure: Figure) -> str:
    limits = f"{two_digits(figure.lower or 0)} to {two_digits(figure.upper or 0)}"
    return f"({wording.level_words(figure.level)} interval {limits})"


def _worth(data: ModelData) -> str:
    harrell = next(figure for figure in data.model.of(CONCORDANCE) if figure.method == "harrell_c")
    if harrell.estimate is None:
        return ""
    return (
        f"Of two patients, the one with the higher predicted rate is the one with the earlier next session "
        f"{wording.natural_frequency(harrell.estimate)} times (50 would be a coin toss): most of what decides about a "
        "next session is not in these records."
        if harrell.estimate < 0.8
        else f"Of two patients, the one with the higher predicted rate is the one with the earlier next session "
        f"{wording.natural_frequency(harrell.estimate)} times."
    )


def _cautions(data: ModelData) -> Iterator[str]:
    model = data.model
    yield (
        "These are differences between groups of past patients, not effects. Nothing here says that changing one thing "
        "would change the other, and nothing here is a forecast for one patient."
    )
    yield (
        "Medical therapy marks who was treated, often those who lose hair faster or mind it more. It does not show "
        "what a drug does."
    )
    yield "A next session is no failure. Many are planned from the start, which the model takes as a covariate."
    if model.few_for_columns:
        yield (
            f"There are {wording.whole(model.events)} next sessions for {model.columns} coefficients: fewer than ten "
            "each. The ratios are unsteady; expect them to move as records come in."
        )
    if model.sampled:
        yield (
            f"The model was fitted to {wording.counted(model.spells, 'patient')} drawn at random of "
            f"{wording.whole(model.patients)}: its intervals are about "
            f"{(model.patients / model.spells) ** 0.5:.1f} times as wide as all would give."
        )
    yield "What a ratio means for a patient is for a licensed clinician to say. None of this is a verdict on anybody."
