"""Who came back when expected, how much of the time is known, and who is due now."""

from __future__ import annotations

from collections.abc import Sequence

from pipelines import Figure
from pipelines.follow_up.milestones import FOLLOW_UP_MILESTONES
from registry import durations

from ... import wording
from ...charts import IntervalRow
from ...intervals import interval_key, interval_picture
from ...labels import group_label
from ...layout import Cell, Row, Section, Table, capitalised, not_counted_table, share_cell
from .._data import AuditData

_LABELS = {milestone.due: capitalised(milestone.label) for milestone in FOLLOW_UP_MILESTONES}


def follow_up(data: AuditData) -> Section:
    """Contacts at milestones in the quarter and to date, by site; Clark's index; visits due now."""
    rows = [IntervalRow(_LABELS[figure.at or 0], figure) for figure in data.contacts_in_quarter]
    anyone = any(figure.n for figure in data.contacts_in_quarter)
    return Section(
        "follow-up",
        "Can we trust it? Follow-up",
        "follow_up.html",
        {
            "picture": interval_picture(rows, "contacts", "contacts at milestones", "Share of sessions due")
            if anyone
            else None,
            "key": interval_key(rows, data.settings.floor_denominator, "sessions due"),
            "table": _milestone_table(data),
            "by_site": _site_table(data),
            "not_counted": not_counted_table(
                "Sessions due and not due at each milestone, to date",
                "Milestone",
                [(_LABELS[figure.at or 0], figure) for figure in data.contacts],
                "Due",
            ),
            "clark": _clark_table(data),
            "due": _due_table(data),
            "on": wording.date_words(data.due.on),
        },
    )


def _milestone_table(data: AuditData) -> Table:
    return Table(
        "Contacts made, of the sessions for which a milestone’s days ended",
        ("Milestone", "Days", f"Due in {data.quarter}", "Contact made", "Due to date", "Contact made to date"),
        tuple(
            Row(
                _LABELS[now.at or 0],
                (
                    Cell((now.window or "").replace("-", " to ")),
                    Cell(wording.whole(now.n)),
                    share_cell(now),
                    Cell(wording.whole(all_time.n)),
                    share_cell(all_time),
                ),
            )
            for now, all_time in zip(data.contacts_in_quarter, data.contacts, strict=True)
        ),
    )


def _site_table(data: AuditData) -> Table:
    sites: dict[str, list[Figure]] = {}
    for figure in data.contacts_by_site:
        sites.setdefault(group_label(figure), []).append(figure)
    return Table(
        "Contacts made by site, to date",
        ("Site", *_LABELS.values()),
        tuple(Row(site, tuple(share_cell(figure) for figure in figures)) for site, figures in sites.items()),
        words=tuple(range(1, len(_LABELS) + 1)),  # so many columns that the intervals must wrap
    )


def _clark_table(data: AuditData) -> Table:
    times = sorted({figure.at for figure in data.follow_up if figure.at is not None})
    groups: dict[str, list[Figure]] = {}
    for figure in data.follow_up:
        if figure.n or not figure.group:
            groups.setdefault(group_label(figure, "All sites"), []).append(figure)
    return Table(
        "Time over which contacts tell of a next session, of the time there could have been",
        ("Site", "Patients", *(f"Within {durations.time_label(at)}" for at in times)),
        tuple(
            Row(name, (Cell(wording.whole(figures[0].n)), *(_clark_cell(figures, at) for at in times)))
            for name, figures in groups.items()
        ),
    )


def _clark_cell(figures: Sequence[Figure], at: int) -> Cell:
    figure = next((figure for figure in figures if figure.at == at), None)
    if figure is None or figure.estimate is None:
        return Cell("–")
    return Cell(wording.percent(figure.estimate), few="too_few" in figure.flags)


def _due_table(data: AuditData) -> Table:
    def row(head: str, **only: str) -> Row:
        counts = (data.due.sessions(state, **only) for state in ("due", "overdue"))
        return Row(head, tuple(Cell(wording.whole(count)) for count in counts))

    by_site = [row(f"Site {site}", site_code=site) for site in data.settings.sites]
    by_milestone = [row(capitalised(milestone.label), milestone=milestone.name) for milestone in FOLLOW_UP_MILESTONES]
    return Table(
        "Sessions to call about",
        ("Site or milestone", "Due now", "Overdue"),
        (
            row("All"),
            *((Row("By site"), *by_site) if len(by_site) > 1 else ()),
            Row("By milestone"),
            *by_milestone,
        ),
    )
