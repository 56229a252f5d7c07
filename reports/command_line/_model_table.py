"""The hazard ratios of a model as a table for a terminal of 80 columns."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from pipelines.figure import Figure
from pipelines.next_session_model import NextSessionModel
from pipelines.next_session_model.measures import (
    COMPLETE,
    CONCORDANCE,
    DEATH_COMPETING,
    GAP_TIME,
    HAZARD_RATIO,
    IMPUTED,
    PROPORTIONAL_HAZARDS_P,
    TOTAL_TIME,
)

from ..charts.ratio_plot import wording_of_ratio
from ..model_next_session._sections.ratios import grouped, remark_words
from ..model_next_session._words import covariate_label
from ..wording import counted, listed, whole

WIDTH = 80
_LABEL, _RATIO = 32, 23
_TITLES = {
    IMPUTED: "gaps filled in",
    COMPLETE: "complete cases",
    GAP_TIME: "each gap",
    TOTAL_TIME: "one clock",
    DEATH_COMPETING: "before death",
}


def model_lines(model: NextSessionModel) -> Iterator[str]:
    """The table, forms that use every session below it, and what to know beside it."""
    yield from textwrap.wrap(
        f"Hazard ratio of a next session here, from the first session here: {counted(model.spells, 'patient')}, "
        f"{whole(model.events)} next sessions. In parentheses: 95% interval.",
        WIDTH,
    )
    yield from _table(model, (IMPUTED, COMPLETE))
    if any(model.of(HAZARD_RATIO, analysis=name) for name in (GAP_TIME, TOTAL_TIME, DEATH_COMPETING)):
        yield ""
        yield from textwrap.wrap(
            "Every session, complete cases: from each session to the next; all sessions on one clock.", WIDTH
        )
        yield from _table(model, (GAP_TIME, TOTAL_TIME))
    yield ""
    for remark in _remarks(model):
        yield from textwrap.wrap(remark, WIDTH, subsequent_indent="  ")


def _table(model: NextSessionModel, analyses: tuple[str, ...]) -> Iterator[str]:
    shown = [name for name in analyses if model.of(HAZARD_RATIO, analysis=name)]
    yield f"{'':{_LABEL}}" + "".join(f" {_TITLES[name]:<{_RATIO}}" for name in shown).rstrip()
    yield "-" * WIDTH
    for row in grouped(model.of(HAZARD_RATIO, analysis=shown[0])):
        if row.figure is None:
            yield from textwrap.wrap(row.label, WIDTH)
            continue
        *above, label = textwrap.wrap(row.label, _LABEL - 2)
        yield from (f"  {part}" for part in above)
        group = {"covariate": row.figure.group["covariate"], "level": row.figure.group["level"]}
        cells = [model.of(HAZARD_RATIO, analysis=name, **group) for name in shown]
        yield f"  {label:{_LABEL - 2}}" + "".join(f" {_cell(found):<{_RATIO}}" for found in cells).rstrip()


def _cell(found: list[Figure]) -> str:
    if not found:
        return "-"
    return wording_of_ratio(found[0]) + (" *" if "too_few" in found[0].flags else "")


def _remarks(model: NextSessionModel) -> Iterator[str]:
    if any("too_few" in figure.flags for figure in model.of(HAZARD_RATIO)):
        yield "* too few to rely on."
    yield from (remark_words(remark) for remark in model.remarks)
    if model.sets:
        yield f"{whole(model.complete)} of {whole(model.spells)} have no gap; gaps were filled in {model.sets} times."
    if model.sampled:
        yield f"Fitted to {counted(model.spells, 'patient')} drawn at random of {whole(model.patients)}."
    if model.few_for_columns:
        yield f"Fewer than ten next sessions for each of {model.columns} coefficients: the ratios are unsteady."
    changing = [
        covariate_label(figure.group["covariate"]).lower()
        for figure in model.of(PROPORTIONAL_HAZARDS_P)
        if figure.group["covariate"] != "all" and (figure.estimate or 0) < 0.05
    ]
    if changing:
        yield f"Not the same over all years, so an average: {listed(changing)}."
    for figure in model.of(CONCORDANCE):
        if figure.estimate is not None:
            name = "Uno's c" if figure.method == "uno_c" else "Harrell's c"
            yield f"{name} {figure.estimate:.2f} (0.5: a coin toss)."
