"""What goes with yield, and how sure, in plain sentences."""

from __future__ import annotations

from collections.abc import Iterator

from pipelines.figure import Figure
from pipelines.graft_measures import GRAFT_CAUTION
from registry.milestones import mature_window_label

from ... import wording
from ...charts.ratio_plot import wording_of_ratio
from ...layout import Section
from .._data import GraftModelData
from .._words import covariate_label, level_label, lowered
from .density import bend_words


def in_short(data: GraftModelData) -> Section:
    """The answer on density, a sentence for each covariate that is told apart, and one for those that are not."""
    model = data.model
    clear, unclear = clear_and_not(data.ratios(data.headline))
    return Section(
        "in-short",
        "In short",
        "in_short.html",
        {
            "who": f"{wording.counted(model.areas, 'area')} of {wording.counted(model.patients, 'patient')}, counted "
            f"{mature_window_label(data.settings.mature_window)} after surgery, with "
            f"{wording.whole(model.placed)} grafts placed in them: "
            f"{wording.share_words(data.survival)} were seen growing.",
            "density": bend_words(data),
            "told": [_sentence(figure) for figure in clear],
            "unclear": wording.listed([lowered(covariate_label(name)) for name in unclear], "or"),
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


def _sentence(figure: Figure) -> str:
    covariate, against = figure.group["covariate"], figure.group.get("against")
    beside = f" against {lowered(level_label(covariate, against))}" if against else ""
    return (
        f"{covariate_label(covariate)}: {lowered(level_label(covariate, figure.group['level']))}{beside}, odds ratio "
        f"{wording_of_ratio(figure)}."
    )


def _cautions(data: GraftModelData) -> Iterator[str]:
    yield GRAFT_CAUTION
    yield (
        "These are differences between counted areas, not effects. Whoever places grafts chooses density, time and "
        "zone by what promises to grow; nothing here says that changing one would change the yield."
    )
    yield (
        "Many ratios are looked at: with this many, about one in twenty intervals leaves out 1 by chance alone. "
        "Nothing here is a forecast for one patient or a verdict on anybody; decisions rest with licensed clinicians."
    )
    if data.model.above_placed:
        yield (
            f"{wording.counted(data.model.above_placed, 'area')} had more growing than was placed. They are kept, "
            "since to leave them out would bias yields down."
        )
