"""Visits due: whose milestone visit is due or overdue, by site, and the list for the site."""

from __future__ import annotations

from datetime import date
from typing import Any

from fastapi import Request, Response

from registry.errors import GraftledgerError, nearest
from registry.store import Registry

from ..access import Pages
from ..context import WebGiven, reading, remembered, show
from ..downloads import sent

pages = Pages()
_SHOWN = 50


@pages.get("/visits-due", task="visits-due", what="Visits due")
def visits_due_page(request: Request, web: WebGiven, site: str = "") -> Response:
    """Counts by site and milestone, and the first of those who should be seen."""
    today = date.today()
    found = remembered(web, ("visits due", site, today), lambda registry: _found(registry, site, today))
    return show(request, "visits_due.html", **found)


def _found(registry: Registry, site: str, today: date) -> dict[str, Any]:
    """What the page takes."""
    from pipelines.follow_up.milestones import FOLLOW_UP_MILESTONES
    from pipelines.follow_up.visits_due import LEFT_OUT_LABELS, visits_due, visits_due_counts

    _check_site(site, registry.settings.sites)
    found = visits_due_counts(registry, on=today, site=site or None)
    first = visits_due(registry, on=today, site=site or None, most=_SHOWN)
    shown = ("patient_key", "session_key", "site_code", "milestone", "state", "due_on", "last_visit_on")
    return {
        "site": site,
        "sites": registry.settings.sites,
        "on": today,
        "data_date": registry.data_date,
        "labels": {milestone.name: milestone.label for milestone in FOLLOW_UP_MILESTONES},
        "counts": found.by("site_code"),
        "due": found.sessions("due"),
        "overdue": found.sessions("overdue"),
        "rows": first.select(shown).rows(named=True),
        "left_out": [(LEFT_OUT_LABELS[reason], count) for reason, count in found.left_out.items()],
    }


@pages.get("/visits-due/list.csv", task="visits-due", what="List of visits due")
def visits_due_list(web: WebGiven, site: str = "") -> Response:
    """The list that the site joins with its chart numbers, by the command contact-list."""
    from pipelines.follow_up.visits_due import visits_due
    from pipelines.spreadsheet_cells import guarded

    today = date.today()
    with reading(web) as registry:
        _check_site(site, registry.settings.sites)
        listed = visits_due(registry, on=today, site=site or None)
    name = f"visits_due_{site or 'all_sites'}_{today}.csv"
    return sent(guarded(listed).write_csv().encode(), name, "text/csv; charset=utf-8")


def _check_site(site: str, sites: tuple[str, ...]) -> None:
    if site and site not in sites:
        raise GraftledgerError(f"There is no such site. {nearest(site[:40], list(sites))}")
