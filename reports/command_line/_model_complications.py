"""What `model` shows of complications, scar width and satisfaction: its files, and its table for 80 columns."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from pipelines.complication_model import OUTCOMES
from pipelines.complication_model.measures import PROPORTIONAL_ODDS_P
from pipelines.figure import Figure
from registry.errors import GraftledgerError
from registry.store import Registry

from ..layout import capitalised
from ..model_complications import FIGURES_FILE, build_session_model_page, page_file
from ..model_complications._data import Measure, SessionModelData, grouped
from ..model_complications._sections.in_short import who
from ..model_complications._words import covariate_label, lowered, remark_words
from ..wording import counted, listed, whole

WIDTH = 80
_LABEL, _EFFECT = 32, 23


def session_model(registry: Registry, name: str, of: str | None) -> tuple[dict[str, str], list[str]]:
    """The files of the page, by their names, and its table. of: which complication, where it is one.

    Raises: GraftledgerError where it is not said, or the records cannot carry the model.
    """
    if name == "complications" and of is None:
        raise GraftledgerError(f"Say of which complication with --of: {listed(list(OUTCOMES), 'or')}.")
    document = build_session_model_page(registry, name, of)
    files = {page_file(name): document.html, FIGURES_FILE: document.figures_json}
    return files, list(session_model_lines(document.data))


def session_model_lines(data: SessionModelData) -> Iterator[str]:
    """A table for each effect, both analyses side by side, and what to know beside it."""
    yield from textwrap.wrap(f"{data.kind.title}. {who(data)} In parentheses: 95% interval.", WIDTH)
    for measure in data.kind.measures:
        yield ""
        yield from textwrap.wrap(f"{measure.head}:", WIDTH)
        yield from _table(data, measure)
    yield ""
    for remark in _remarks(data):
        yield from textwrap.wrap(remark, WIDTH, subsequent_indent="  ")


def _table(data: SessionModelData, measure: Measure) -> Iterator[str]:
    heads = "".join(f" {capitalised(label):<{_EFFECT}}" for label, _ in data.analyses)
    yield f"{'':{_LABEL}}{heads}".rstrip()
    yield "-" * WIDTH
    for row in grouped(data.effects(measure, data.analyses[0][1])):
        if row.figure is None:
            yield from textwrap.wrap(row.label, WIDTH)
            continue
        *above, label = textwrap.wrap(row.label, _LABEL - 2)
        yield from (f"  {part}" for part in above)
        cells = [_cell(measure, data.matching(measure, name, row.figure)) for _, name in data.analyses]
        yield f"  {label:{_LABEL - 2}}{''.join(f' {cell:<{_EFFECT}}' for cell in cells)}".rstrip()


def _cell(measure: Measure, figure: Figure | None) -> str:
    if figure is None:
        return "-"
    short = measure.words(figure).replace("below ", "<").replace("above ", ">")
    return short + ("*" if "too_few" in figure.flags else "")


def _remarks(data: SessionModelData) -> Iterator[str]:
    model = data.model
    if any("too_few" in figure.flags for figure in model.figures):
        yield "* too few to rely on."
    yield from (remark_words(remark, data.kind.unit, of_events=data.outcome is not None) for remark in model.remarks)
    if model.sets:
        yield f"{whole(model.complete)} of {whole(model.sessions)} have no gap; gaps were filled in {model.sets} times."
    if model.sampled:
        yield f"Fitted to {counted(model.drawn, 'patient')} drawn at random of {whole(model.of_patients)}."
    if model.firth:
        yield (
            f"{whole(model.events)} with the outcome for {model.columns} coefficients: few, so estimates hold back "
            "(Firth's penalty). Read the intervals."
        )
    changing = [
        lowered(covariate_label(figure.group["covariate"]))
        for figure in model.of(PROPORTIONAL_ODDS_P)
        if figure.group["covariate"] != "all" and (figure.estimate or 0) < 0.05
    ]
    if changing:
        yield f"Not one ratio at every cut of the rating, so an average: {listed(changing)}."
    yield "Whoever takes the harder cases has worse results at the same skill."
