"""What the figures rest on: sites, patients, sessions, follow-up, and what was declared."""

from __future__ import annotations

from pipelines import Figure

from ... import wording
from ...labels import group_label
from ...layout import Cell, Row, Section, Table, picked
from .._data import AuditData

_ALL = "All sites"
_DAYS_A_YEAR = 365.25


def records(data: AuditData) -> Section:
    """One table of the quarter and one of all records."""
    return Section(
        "records",
        "Can we trust it? Sites and records",
        "records.html",
        {
            "quarter": _quarter_table(data),
            "all": _all_table(data),
            "undeclared": [site for site, day in data.complete_to.items() if day is None],
            "late": [
                (site, wording.date_words(day))
                for site, day in data.complete_to.items()
                if day is not None and day < data.quarter.last_on
            ],
        },
    )


def _quarter_table(data: AuditData) -> Table:
    rows = []
    for in_quarter, declared, follow_up in zip(
        *(
            picked(data.summary, measure)
            for measure in ("sessions_in_quarter", "sessions_recorded_of_declared", "median_follow_up")
        ),
        strict=True,
    ):
        site = in_quarter.group.get("site_code")
        rows.append(
            Row(
                group_label(in_quarter, _ALL),
                (
                    Cell(wording.whole(in_quarter.n)),
                    Cell("–" if declared.estimate is None else wording.whole(declared.n)),
                    _complete_cell(data, site),
                    _years_cell(follow_up),
                ),
            )
        )
    return Table(
        f"Sessions of {data.quarter}, and how far records reach",
        ("Site", "Sessions recorded", "Sessions declared", "Records complete to", "Median follow-up"),
        tuple(rows),
    )


def _all_table(data: AuditData) -> Table:
    kinds = {
        "patients": "Patients",
        "sessions": "Sessions",
        "visits": "Follow-up contacts",
        "complications": "Complication records",
        "graft_counts": "Graft counts",
    }
    columns = [picked(data.summary, measure) for measure in kinds]
    return Table(
        "All records up to the end of the quarter",
        ("Site", *kinds.values()),
        tuple(
            Row(group_label(row[0], _ALL), tuple(Cell(wording.whole(figure.n)) for figure in row))
            for row in zip(*columns, strict=True)
        ),
    )


def _years_cell(figure: Figure) -> Cell:
    if figure.estimate is None:
        return Cell("not reached" if figure.n else "–")
    more = [
        f"{figure.lower / _DAYS_A_YEAR:.1f} to {figure.upper / _DAYS_A_YEAR:.1f}"
        if figure.lower is not None and figure.upper is not None
        else ""
    ]
    few = "too_few" in figure.flags
    return Cell(f"{figure.estimate / _DAYS_A_YEAR:.1f} years", tuple(line for line in more if line), few)


def _complete_cell(data: AuditData, site: str | None) -> Cell:
    if site is not None:
        return Cell(wording.date_words(data.complete_to[site]))
    days = sorted(day for day in data.complete_to.values() if day is not None)
    return Cell(wording.date_words(days[0]), ("at the earliest",) if days[0] < days[-1] else ())
