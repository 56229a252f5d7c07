"""How often a next session follows: described, and never a measure of quality."""

from __future__ import annotations

from pipelines.comparison.case_mix import CaseMixModel
from pipelines.comparison.measures import EXPECTED, NEXT_SESSION, NEXT_SESSIONS_SEEN_TO_EXPECTED
from pipelines.measures import NEXT_SESSION_PROBABILITY
from registry.durations import years

from ... import wording
from ...charts.ratio_plot import wording_of_ratio
from ...layout import Cell, Row, Section, Table, share_cell
from .._data import NEXT_SESSION_AT, BenchmarkData


def _seen(data: BenchmarkData) -> str:
    """Seen over expected in a sentence."""
    (figure,), (expected,) = data.of(NEXT_SESSIONS_SEEN_TO_EXPECTED), data.of(EXPECTED, outcome=NEXT_SESSION)
    patients = wording.counted(figure.n, "patient")
    seen = wording.counted(figure.events or 0, "next session")
    after = f"After the first session here of {patients}, which was yours, {seen} here"
    if expected.estimate is None or figure.at is None:
        return f"{after} were seen. How many to expect cannot be said."
    model = data.practice.models.get(NEXT_SESSION)
    return (
        f"{after} were seen in the {figure.at / years(1):.1f} years that the model reaches, where "
        f"{expected.estimate:,.1f} were to be expected of patients of the same age, stage, sex and family history by "
        f"the records of all others: ratio {wording_of_ratio(figure)}. "
        + (
            f"The model is frozen, from first sessions of {wording.date_words(model.reference_from)} to "
            f"{wording.date_words(model.reference_to)}{_foretells(model)}."
            if model
            else "The model was fitted for this page to all others’ patients of any time."
        )
    )


def _foretells(model: CaseMixModel) -> str:
    """How well it foretells patients left out of the fit."""
    checks = model.checks
    if checks is None or checks.c_statistic is None or checks.slope is None:
        return ""
    return f"; of patients left out of the fit, c-statistic {checks.c_statistic:.2f}, slope {checks.slope:.2f}"


def next_session(data: BenchmarkData) -> Section:
    """Product-limit shares by year, mine and all others'."""
    rows = []
    for day in NEXT_SESSION_AT:
        cells = []
        for whose in ("own", "others"):
            found = [f for f in data.of(NEXT_SESSION_PROBABILITY, whose=whose) if f.at == day]
            cells.append(share_cell(found[0], at_risk=whose == "own") if found else Cell("–"))
        rows.append(Row(f"After {wording.counted(round(day / years(1)), 'year')}", tuple(cells)))
    return Section(
        "next-session",
        "Next sessions",
        "next_session.html",
        {
            "seen": _seen(data),
            "table": Table(
                "Share of patients with a next session here, after their first one here",
                ("Time", "After mine", "After all others’ together"),
                tuple(rows),
            ),
        },
    )
