"""How patients differ, how counts were made, and who was counted at all."""

from __future__ import annotations

from collections.abc import Sequence

from pipelines.figure import Figure
from pipelines.graft_measures import (
    BELOW_80,
    BELOW_90,
    BY_METHOD,
    EFFECTIVE_RETURNED,
    GRAFT_SHARE_LABELS,
    HEAVIEST_RETURN_WEIGHT,
    MEAN_YIELD,
    SESSIONS_COUNTED,
    YIELD_ALL_GREW,
    YIELD_BY_CHOICE,
    YIELD_CRUDE,
    YIELD_NONE_GREW,
    YIELD_WEIGHTED,
)

from ... import wording
from ...labels import value_label
from ...layout import Cell, Row, Section, Table, capitalised, share_cell
from .._data import GraftModelData


def patients(data: GraftModelData) -> Section:
    """Yields of patients from the model, and yield by method of counting."""
    shown = [_one(data.patients, measure) for measure in (MEAN_YIELD, BELOW_80, BELOW_90)]
    rows = [Row(GRAFT_SHARE_LABELS[figure.measure], _cells(figure)) for figure in shown]
    methods = [figure for figure in data.patients if figure.measure == BY_METHOD]
    rows.append(Row("Share growing by method of counting"))
    rows += [Row(capitalised(value_label("method", figure.group["method"])), _cells(figure)) for figure in methods]
    return Section(
        "patients",
        "How patients differ, and how counts were made",
        "patients.html",
        {"table": Table("Yields of patients, and by method", ("", "Share", "Areas", "Patients"), tuple(rows))},
    )


def selection(data: GraftModelData) -> Section:
    """Who was counted, weighted and bounded."""
    counted = _one(data.selection, SESSIONS_COUNTED)
    rows = [Row(GRAFT_SHARE_LABELS[SESSIONS_COUNTED], _cells(counted))]
    for heading, name in (("By site", "site_code"), ("By surgeon", "surgeon_code")):
        own = [f for f in data.selection if f.measure == SESSIONS_COUNTED and name in f.group]
        rows.append(Row(heading))
        rows += [Row(_label(name, figure.group[name]), _cells(figure)) for figure in own]
    yields = (YIELD_CRUDE, YIELD_WEIGHTED, YIELD_NONE_GREW, YIELD_ALL_GREW)
    told = [Row(GRAFT_SHARE_LABELS[measure], _cells(_one(data.selection, measure))) for measure in yields]
    told.append(Row("By how the area was chosen"))
    told += [
        Row(capitalised(value_label("area_choice", figure.group["area_choice"])), _cells(figure))
        for figure in data.selection
        if figure.measure == YIELD_BY_CHOICE
    ]
    heaviest, effective = (_one(data.selection, name) for name in (HEAVIEST_RETURN_WEIGHT, EFFECTIVE_RETURNED))
    weights = ""
    if heaviest.estimate is not None and effective.estimate is not None:
        weights = (
            f"The heaviest weight of a session is {heaviest.estimate:.1f}; after weights, the sessions counted tell as "
            f"much as {wording.percent(effective.estimate, 0)} of them would without."
        )
    heads = ("", "Share", "Sessions", "Patients")
    return Section(
        "selection",
        "Who was counted",
        "selection.html",
        {
            "counted": Table("Sessions counted, of those due", heads, tuple(rows)),
            "yields": Table("Survival under other readings of those not counted", heads, tuple(told)),
            "weights": weights,
        },
    )


def _one(figures: Sequence[Figure], measure: str) -> Figure:
    return next(figure for figure in figures if figure.measure == measure and not figure.group)


def _label(name: str, value: str) -> str:
    return f"Surgeon {value}" if name == "surgeon_code" else value_label(name, value)


def _cells(figure: Figure) -> tuple[Cell, ...]:
    return (share_cell(figure), Cell(wording.whole(figure.n)), Cell(wording.whole(figure.n_clusters or 0)))
