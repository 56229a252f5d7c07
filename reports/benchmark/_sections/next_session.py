"""How often a next session follows: described, and never a measure of quality."""

from __future__ import annotations

from pipelines.measures import NEXT_SESSION_PROBABILITY
from registry.durations import years

from ... import wording
from ...layout import Cell, Row, Section, Table, share_cell
from .._data import NEXT_SESSION_AT, BenchmarkData


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
            "table": Table(
                "Share of patients with a next session here, after their first one here",
                ("Time", "After mine", "After all others’ together"),
                tuple(rows),
            )
        },
    )
