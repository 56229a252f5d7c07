"""Sessions whose milestone visit is due or overdue on a day: a list to act on, not a figure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date

import polars as pl

from registry.milestones import yearly
from registry.store import Registry

from .._queries import SESSION_HERE, kept, rows
from ..groups import milestone_values, shared_texts, shared_values
from .milestones import FOLLOW_UP_MILESTONES, LAST_YEAR

LEFT_OUT_LABELS: Mapping[str, str] = {
    "contact_made": "contact made",
    "between_milestones": "no milestone now",
    "operated_again": "operated on again: see the later session",
    "died": "died",
    "left_care": "left care",
    "discharged": "discharged",
    "consent_withdrawn": "consent withdrawn",
    "dates_shifted": "dates shifted by the site: no calendar day is known",
    "no_start_date": "no exact date of surgery",
}
"""Why nobody need be called about a session, and how to say it."""

COLUMNS = (
    "patient_key",
    "other_patient_keys",
    "session_key",
    "site_code",
    "surgeon_code",
    "performed_on",
    "milestone",
    "state",
    "due_on",
    "opens_on",
    "closes_on",
    "last_visit_on",
    "status_at_last_contact",
)

STATES = ("due", "overdue")

_VISIT_DUE = (*SESSION_HERE, "listed_milestone", "visit_due")
_AT_SITE = "($site is null or site_code = $site)"


@dataclass(frozen=True)
class DueCounts:
    """How many sessions there are to call about.

    frame: `sessions` by site_code, surgeon_code, milestone and state, see `visits_due`.
    left_out: sessions that nobody need be called about, by reason (LEFT_OUT_LABELS).
    """

    on: date
    frame: pl.DataFrame = field(repr=False)
    left_out: Mapping[str, int]

    def sessions(self, state: str, **only: str) -> int:
        """How many are `due` or `overdue`. only: a site_code, a surgeon_code or a milestone."""
        return int(self.frame.filter(state=state, **only).get_column("sessions").sum())

    def by(self, column: str) -> tuple[tuple[str, str, int, int], ...]:
        """By a column and milestone: how many are due, and how many overdue; in the order of the milestones."""
        order = {milestone.name: at for at, milestone in enumerate(FOLLOW_UP_MILESTONES)}
        pairs = self.frame.select(column, "milestone").unique().rows()
        return tuple(
            (name, milestone, *(self.sessions(state, **{column: name, "milestone": milestone}) for state in STATES))
            for name, milestone in sorted(pairs, key=lambda pair: (pair[0], order[pair[1]]))
        )


def visits_due_counts(registry: Registry, *, on: date, site: str | None = None) -> DueCounts:
    """The same sessions as of `visits_due`, counted and not listed, and how many are not among them."""
    counted = (
        "select reason, site_code, surgeon_code, milestone, state, count(*) as sessions from "
        "(select * replace (if(reason is null, milestone, null) as milestone) from visit_due) "
        f"where {_AT_SITE} group by all"
    )
    found = rows(registry, _VISIT_DUE, counted, {**_values(registry, on), "site": site}, shared_texts(()))
    reasons = dict(found.group_by("reason").agg(pl.col("sessions").sum()).rows())
    left_out = {reason: int(reasons[reason]) for reason in LEFT_OUT_LABELS if reason in reasons}
    return DueCounts(on, found.filter(pl.col("reason").is_null()).drop("reason"), left_out)


def visits_due(registry: Registry, *, on: date, site: str | None = None, most: int | None = None) -> pl.DataFrame:
    """Sessions whose milestone visit is due or overdue on a day, by what the registry knows.

    A visit made and not yet delivered is not known: a site whose records lag will find patients on the list who have
    come. Whoever died, left care, was discharged or withdrew consent is not on it; whoever could not be reached is.
    on: sessions and contacts later than it are ignored; what became of a patient is as it is known now.
    site: only sessions of one site; None takes all. most: so many rows at most; None takes all.
    Returns one row a session, COLUMNS, the most overdue first within a site. state: `due` while the days of the
    milestone run, then `overdue` until the next milestone begins.
    """
    listed = (
        f"select {', '.join(COLUMNS)} from visit_due left join merged_keys using (patient_key) "
        f"where reason is null and {_AT_SITE} order by site_code, closes_on, session_key limit $most"
    )
    with kept(registry, "visit_due", _VISIT_DUE, _values(registry, on), shared_texts(())):
        frame = rows(registry, ("merged_keys",), listed, {"site": site, "most": most})
    return frame.with_columns(pl.col("other_patient_keys").fill_null(""))


def _values(registry: Registry, on: date) -> dict[str, object]:
    milestones = FOLLOW_UP_MILESTONES
    next_opens = [*(later.opens for later in milestones[1:]), yearly(LAST_YEAR + 1).opens]
    return {
        **shared_values(registry.settings, on),
        "on": on,
        **milestone_values(milestones),
        "listed_to": [opens - 1 for opens in next_opens],
    }
