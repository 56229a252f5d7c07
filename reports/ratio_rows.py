"""Ratios of a model as rows under their covariates, and as cells of a table: the same for every model's page."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from pipelines.figure import Figure

from .charts.ratio_plot import RatioRow, wording_of_ratio
from .layout import Cell, capitalised


def ratio_rows(
    figures: Sequence[Figure],
    covariate_label: Callable[[str], str],
    level_label: Callable[[str, str], str],
    lowered: Callable[[str], str],
) -> list[RatioRow]:
    """A heading a covariate, with what it is compared against, and its ratios.

    covariate_label, level_label, lowered: how the model's page says a covariate, a level, and a level in a sentence.
    """
    rows: list[RatioRow] = []
    last = ""
    for figure in figures:
        covariate = figure.group["covariate"]
        if covariate != last:
            against = figure.group.get("against")
            beside = f", against {lowered(level_label(covariate, against))}" if against else ""
            rows.append(RatioRow(covariate_label(covariate) + beside))
            last = covariate
        rows.append(RatioRow(capitalised(level_label(covariate, figure.group["level"])), figure))
    return rows


def ratio_cell(figure: Figure | None) -> Cell:
    """A ratio with its limits; a dash where there is none."""
    if figure is None or figure.estimate is None:
        return Cell("–")
    few = "too_few" in figure.flags
    ratio, _, limits = wording_of_ratio(figure).partition(" (")
    return Cell(ratio, (limits.rstrip(")"), *(("too few",) if few else ())), few)
