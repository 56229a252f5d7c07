"""Above which density does yield fall, and how sure is that?"""

from __future__ import annotations

from pipelines.graft_model.covariates import DENSITY
from pipelines.graft_model.measures import BEND_AT, SLOPE_ABOVE, SLOPE_BELOW

from ... import wording
from ...charts.ratio_plot import wording_of_ratio
from ...charts.yield_curve import Mark, yield_curve
from ...layout import Picture, Section
from .._data import GraftModelData
from .._words import UNITS, covariate_label


def density(data: GraftModelData) -> Section | None:
    """None where density is not in the model as a curve."""
    if not data.curve(DENSITY):
        return None
    bend = data.model.bend
    mark = Mark(bend.at, bend.lower, bend.upper) if bend is not None and bend.found else None
    slopes = ""
    if mark:
        below, above = data.model.of(SLOPE_BELOW)[0], data.model.of(SLOPE_ABOVE)[0]
        slopes = (
            f"For each 5 grafts per cm2 more, the odds of growing change by a factor of {wording_of_ratio(below)} "
            f"below the bend and of {wording_of_ratio(above)} above it, both as if the place of the bend were known."
        )
    return Section(
        "density",
        "Above which density does yield fall?",
        "density.html",
        {
            "answer": bend_words(data),
            "slopes": slopes,
            "picture": curve_picture(data, DENSITY, mark),
            "marked": mark is not None,
        },
    )


def bend_words(data: GraftModelData) -> str:
    """The plain answer."""
    bend = data.model.bend
    if bend is None:
        return "Whether yield falls above some density cannot be told: too few different densities were counted."
    looked = f"{bend.low:.0f} to {bend.high:.0f} grafts per cm2"
    p = wording.p_words(bend.p)
    if not bend.found:
        other = " (the line does bend, but yield does not fall after it)" if bend.p < 0.05 else ""
        return (
            f"No evidence of a bend after which yield falls, from {looked} (p of no bend {p}){other}. That is not "
            "evidence that there is none: small falls need many counts."
        )
    (figure,) = data.model.of(BEND_AT)
    assert figure.estimate is not None
    open_ended = [
        words
        for words, limit, end in (("or below", bend.lower, bend.low), ("or beyond", bend.upper, bend.high))
        if abs(limit - end) < 1e-9
    ]
    return (
        f"Yield falls above about {figure.estimate:.0f} grafts per cm2 placed in the area "
        f"({wording.level_words(figure.level)} interval {bend.lower:.0f} to {bend.upper:.0f}"
        f"{' ' + ' and '.join(open_ended) if open_ended else ''}); looked for from {looked}, p of no bend {p}."
    )


def curve_picture(data: GraftModelData, covariate: str, mark: Mark | None = None) -> Picture:
    """Yield along a covariate, with areas under it."""
    curve, areas = data.curve(covariate), data.areas(covariate)
    title = f"{covariate_label(covariate)}, {UNITS[covariate]}"
    told = [curve[place] for place in (0, len(curve) // 2, len(curve) - 1)]
    words = f"Curve of the share of placed grafts growing by {title.lower()}. " + "; ".join(
        f"{value:.0f}: {wording.share_words(figure)}" for value, figure in told
    )
    words += f". Bars: {wording.whole(sum(count for _, count in areas))} areas by value."
    if mark:
        words += f" Upright line: yield falls above {mark.at:.0f}, shaded from {mark.lower:.0f} to {mark.upper:.0f}."
    slug = covariate.replace("_", "-")
    return Picture(
        yield_curve(curve, areas, slug, title, mark=mark),
        words,
        narrow=yield_curve(curve, areas, f"{slug}-narrow", title, mark=mark, narrow=True),
    )
