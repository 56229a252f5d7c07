"""What graft survival goes with, as a table for a terminal of 80 columns."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from pipelines.figure import Figure
from pipelines.graft_measures import GRAFT_CAUTION
from pipelines.graft_model.measures import DISPERSION

from ..charts.ratio_plot import wording_of_ratio
from ..model_graft_survival import GraftModelDocument
from ..model_graft_survival._sections.density import bend_words
from ..model_graft_survival._sections.ratios import analyses, grouped
from ..model_graft_survival._words import remark_words
from ..wording import counted, share_words, whole

WIDTH = 80
_LABEL, _RATIO = 32, 23


def graft_model_lines(document: GraftModelDocument) -> Iterator[str]:
    """The answer on density, the table of ratios, and what to know beside it."""
    data, model = document.data, document.model
    yield from textwrap.wrap(
        f"Odds ratio of a placed graft growing, by {counted(model.areas, 'area')} of "
        f"{counted(model.patients, 'patient')}: {share_words(data.survival)} grew. In parentheses: 95% interval.",
        WIDTH,
    )
    shown = analyses(data)
    yield f"{'':{_LABEL}}" + "".join(f" {label:<{_RATIO}}" for label, _ in shown).rstrip()
    yield "-" * WIDTH
    for row in grouped(data.ratios(shown[0][1])):
        if row.figure is None:
            yield from textwrap.wrap(row.label, WIDTH)
            continue
        *above, label = textwrap.wrap(row.label, _LABEL - 2)
        yield from (f"  {part}" for part in above)
        group = {"covariate": row.figure.group["covariate"], "level": row.figure.group["level"]}
        cells = [_cell(model.of(row.figure.measure, analysis=name, **group)) for _, name in shown]
        yield f"  {label:{_LABEL - 2}}" + "".join(f" {cell:<{_RATIO}}" for cell in cells).rstrip()
    yield ""
    yield from textwrap.wrap(bend_words(data), WIDTH)
    remarks = [remark_words(remark) for remark in model.remarks]
    if model.sets:
        remarks.append(
            f"{whole(model.without_gap)} of {whole(model.areas)} areas have no gap; gaps were filled in {model.sets} "
            "times."
        )
    (dispersion,) = model.of(DISPERSION)
    remarks.append(f"Counts spread {dispersion.estimate or 0:.1f} times as much as by chance alone.")
    if any("too_few" in figure.flags for _, name in shown for figure in data.ratios(name)):
        remarks.append("* too few to rely on.")
    for remark in (*remarks, GRAFT_CAUTION):
        yield ""
        yield from textwrap.wrap(remark, WIDTH)


def _cell(found: list[Figure]) -> str:
    if not found:
        return "-"
    return wording_of_ratio(found[0]) + (" *" if "too_few" in found[0].flags else "")
