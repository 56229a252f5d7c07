"""The odds ratios, all of them, as a chart and a table."""

from __future__ import annotations

from collections.abc import Sequence

from pipelines.figure import Figure
from pipelines.graft_model.measures import COMPLETE, IMPUTED

from ... import wording
from ...charts.ratio_plot import RatioRow, ratio_plot, ratio_words
from ...layout import Cell, Picture, Row, Section, Table, not_counted_table
from ...ratio_rows import ratio_cell, ratio_rows
from .._data import GraftModelData
from .._words import covariate_label, level_label, lowered, remark_words

_AXIS = "Odds ratio: left of 1, fewer of the grafts placed grow; right of it, more"


def ratios(data: GraftModelData) -> Section:
    """Chart, table of both analyses, who is not counted, and what was done to the levels."""
    figures = data.ratios(data.headline)
    rows = grouped(figures)
    return Section(
        "ratios",
        "Odds ratios",
        "ratios.html",
        {
            "picture": Picture(
                ratio_plot(rows, "ratios", _AXIS),
                ratio_words(rows, "odds ratios of a placed graft growing"),
                narrow=ratio_plot(rows, "ratios-narrow", "Odds ratio (1: no difference)", narrow=True),
            ),
            "few": any("too_few" in figure.flags for figure in figures),
            "floor": data.settings.floor_denominator,
            "imputed": bool(data.model.sets),
            "table": _table(data),
            "remarks": [remark_words(remark) for remark in data.model.remarks],
            "not_counted": not_counted_table(
                "Areas in the model, and sessions without a mature count by reason",
                "Analysis",
                [("All areas", figures[0])],
                "Areas counted",
            ),
        },
    )


def analyses(data: GraftModelData) -> list[tuple[str, str]]:
    """The analyses there are: their label and name."""
    both = [("Gaps filled in", IMPUTED), ("Areas without a gap", COMPLETE)]
    return [(label, name) for label, name in both if data.ratios(name)]


def grouped(figures: Sequence[Figure]) -> list[RatioRow]:
    """A heading a covariate, with what it is compared against, and its ratios."""
    return ratio_rows(figures, covariate_label, level_label, lowered)


def _table(data: GraftModelData) -> Table:
    shown = analyses(data)
    rows = []
    for row in grouped(data.ratios(shown[0][1])):
        if row.figure is None:
            rows.append(Row(row.label))
            continue
        group = {name: row.figure.group[name] for name in ("covariate", "level")}
        cells = [Cell("–" if row.figure.at_risk == row.figure.n else wording.whole(row.figure.at_risk or 0))]
        for _, name in shown:
            same = [one for one in data.ratios(name) if all(one.group[key] == value for key, value in group.items())]
            cells.append(ratio_cell(same[0] if same else None))
        rows.append(Row(row.label, tuple(cells)))
    return Table(
        "Odds ratios of a placed graft growing, with 95% intervals",
        ("", "Areas known to have it", *(f"Ratio, {label.lower()}" for label, _ in shown)),
        tuple(rows),
        tuple(
            f"{label}: {wording.counted(figures[0].n, 'area')} of "
            f"{wording.counted(figures[0].n_clusters or 0, 'patient')}."
            for label, figures in ((label, data.ratios(name)) for label, name in shown)
        ),
    )
