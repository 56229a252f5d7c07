"""My cases, who operated beside me, and how completely they were followed."""

from __future__ import annotations

import polars as pl

from pipelines.comparison.measures import HELPED, RAW_SHARE, SESSIONS_HELD
from pipelines.comparison.profile import period_sessions
from pipelines.comparison.sessions import counted, within

from ... import wording
from ...labels import value_label
from ...layout import Cell, Row, Section, Table, not_counted_table
from .._data import BenchmarkData
from .._words import judged_words

_ROLES = {"harvest_by": "harvested", "placed_by": "placed"}


def cases(data: BenchmarkData) -> Section:
    """Counts of sessions by site, other operators, and what was assessed."""
    labelled = [
        (comparison.measure.label, figure)
        for comparison, _ in data.results
        for figure in data.of(RAW_SHARE, outcome=comparison.measure.name)
    ]
    return Section(
        "cases",
        "My cases",
        "cases.html",
        {
            "quarter": str(data.quarter),
            "in_quarter": wording.counted(_in_quarter(data), "session"),
            "sites": _sites(data),
            "people": _people(data),
            "follow_up": _follow_up(data),
            "not_counted": not_counted_table(
                "My sessions by what is known of their outcome", "Outcome", labelled, "Assessed"
            ),
            "pooled": data.pooled,
        },
    )


def _in_quarter(data: BenchmarkData) -> int:
    own = period_sessions(data.practice).filter(pl.col("surgeon_code") == data.surgeon)
    return len(within(own, data.quarter.first_on, data.quarter.last_on))


def _sites(data: BenchmarkData) -> str:
    by_site = [figure for figure in data.of(SESSIONS_HELD) if figure.group]
    if len(by_site) < 2:
        return ""
    words = [f"{value_label('site_code', f.group['site_code'])}: {wording.whole(f.n)}" for f in by_site]
    return f"By site: {wording.listed(words)}. Sites are not adjusted for, so a difference between them is in it."


def _people(data: BenchmarkData) -> Table:
    return Table(
        "Sessions in which the responsible surgeon was not the one who harvested or placed",
        ("", "Somebody else, in my sessions", "I, in sessions of another"),
        tuple(
            Row(
                words.capitalize(),
                tuple(
                    Cell(wording.whole(data.of(HELPED, role=role, sessions=whose)[0].n))
                    for whose in ("own", "of_another")
                ),
            )
            for role, words in _ROLES.items()
        ),
        (
            "Recorded only where it differs. Who it was is not named: that would be a peer. All results on this page "
            "are of the responsible surgeon’s sessions.",
        ),
    )


def _follow_up(data: BenchmarkData) -> Table:
    """Share assessed of sessions due, mine and all others'."""
    rows = []
    for comparison, _ in data.results:
        period = within(data.practice.tables[comparison.measure.name], data.practice.first_on, data.practice.last_on)
        due = period.filter(pl.col("reason").is_null() | ~pl.col("reason").is_in(["not_due", "dates_shifted"]))
        cells = []
        for own in (True, False):
            part = due.filter((pl.col("surgeon_code") == data.surgeon) == own)
            if not own and not data.pooled:
                cells.append(Cell("–"))
            elif part.is_empty():
                cells.append(Cell("none due"))
            else:
                share = len(counted(part)) / len(part)
                more = (f"{wording.whole(len(counted(part)))} of {wording.whole(len(part))}",) if own else ()
                cells.append(Cell(wording.percent(share, 0), more, len(part) < data.floor))
        rows.append(Row(comparison.measure.label, tuple(cells), judged_words(comparison.measure, data.settings)))
    return Table(
        "Sessions assessed, of those due",
        ("Outcome", "Mine", "All others together"),
        tuple(rows),
        (
            "If mine are assessed much more, or less, often than the others’, look at that first: those who come back "
            "differ from those who do not.",
        ),
    )
