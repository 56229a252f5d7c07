"""The hazard ratios, all of them, as a chart and a table."""

from __future__ import annotations

from collections.abc import Sequence

from pipelines.figure import Figure
from pipelines.next_session_model.measures import COMPLETE, IMPUTED
from pipelines.next_session_model.preparing import LEAST_EVENTS, Remark

from ... import wording
from ...charts.ratio_plot import RatioRow, ratio_plot, ratio_words
from ...layout import Cell, Picture, Row, Section, Table, not_counted_table
from ...ratio_rows import ratio_cell, ratio_rows
from .._data import ModelData
from .._words import covariate_label, level_label, lowered

_AXIS = "Hazard ratio: left of 1, a next session is rarer or later; right of it, more often or sooner"


def ratios(data: ModelData) -> Section:
    """Chart, table of both analyses, who is not counted, and what was done to the levels."""
    figures = data.ratios(data.headline)
    rows = grouped(figures)
    return Section(
        "ratios",
        "Hazard ratios",
        "ratios.html",
        {
            "picture": Picture(
                ratio_plot(rows, "ratios", _AXIS),
                ratio_words(rows, "hazard ratios of a next session"),
                narrow=ratio_plot(rows, "ratios-narrow", "Hazard ratio (1: no difference)", narrow=True),
            ),
            "few": any("too_few" in figure.flags for figure in figures),
            "floor": data.settings.floor_denominator,
            "least_events": LEAST_EVENTS,
            "imputed": bool(data.model.sets),
            "table": ratio_table(data),
            "remarks": [remark_words(remark) for remark in data.model.remarks],
            "not_counted": not_counted_table(
                "Patients in the model, and those who are not, by reason",
                "Analysis",
                [(label, data.ratios(name)[0]) for label, name in analyses(data)],
                "Counted",
            ),
        },
    )


def analyses(data: ModelData) -> list[tuple[str, str]]:
    """The analyses of the first session that there are: their label and name."""
    both = [("Gaps filled in", IMPUTED), ("Complete cases", COMPLETE)]
    return [(label, name) for label, name in both if data.ratios(name)]


def grouped(figures: Sequence[Figure]) -> list[RatioRow]:
    """A heading a covariate, with what it is compared against, and its ratios."""
    return ratio_rows(figures, covariate_label, level_label, lowered)


def ratio_table(data: ModelData) -> Table:
    """Every ratio of both analyses side by side."""
    shown = analyses(data)
    heads = ("", "Patients known to have it", *(f"Ratio, {label.lower()}" for label, _ in shown))
    rows = []
    for row in grouped(data.ratios(shown[0][1])):
        if row.figure is None:
            rows.append(Row(row.label))
            continue
        cells = [Cell("–" if row.figure.at_risk == row.figure.n else wording.whole(row.figure.at_risk or 0))]
        cells += [ratio_cell(data.matching(name, row.figure)) for _, name in shown]
        rows.append(Row(row.label, tuple(cells)))
    return Table(
        "Hazard ratios of a next session here, with 95% intervals",
        heads,
        tuple(rows),
        tuple(
            f"{label}: {wording.counted(figures[0].n, 'patient')}, "
            f"{wording.whole(figures[0].events or 0)} next sessions."
            for label, figures in ((label, data.ratios(name)) for label, name in shown)
        ),
    )


def remark_words(remark: Remark) -> str:
    """What was done to a covariate."""
    name = covariate_label(remark.covariate)
    levels = wording.listed([level_label(remark.covariate, level) for level in remark.levels])
    patients = wording.counted(remark.n, "patient")
    match remark.kind:
        case "pooled":
            return f"{name}: {levels} stand together ({patients}), since one of them alone is too small."
        case "level_left_out":
            return f"{name}: {levels} ({patients}) are left out, since none of them had a next session."
        case "mostly_missing":
            return f"{name} is left out: it is not known for {patients}, more than half."
        case "one_value":
            return f"{name} is left out: everybody known has the same value, or all groups but one are too small."
        case "straight":
            return f"{name} enters as a straight line: it takes too few values for a curve."
        case "no_estimate" if remark.covariate == COMPLETE:
            return f"The {patients} without any gap are too few, or too alike, for a model of their own."
        case _:
            return f"{name} is left out: its ratio has no finite value here, or other covariates tell the same."
