"""What the registry holds, how far patients have been followed, and how much of what was declared has come in."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import date

from registry.definition import ELSEWHERE
from registry.definition._field import QUARTER_PATTERN
from registry.errors import GraftledgerError
from registry.store import Registry

from ._queries import rows
from .figure import Figure
from .groups import NOT_RECORDED
from .next_session.follow_up import next_session_follow_up

_COUNTS = {
    "patients": "patients",
    "sessions": "sessions",
    "sessions_in_quarter": "sessions",
    "visits": "visits",
    "complications": "complications",
    "graft_counts": "graft counts",
}


def data_summary(registry: Registry, *, as_of: date | None = None, quarter: str | None = None) -> tuple[Figure, ...]:
    """Counts of records, median follow-up, and sessions recorded of those declared, overall and by site.

    Counts (method count): the estimate is the count; patients stand under the site that follows them, all else under
    the site that operated. Sessions elsewhere are not counted.
    median_follow_up, in days: reverse Kaplan-Meier over the observation of a next session here, that is with the end of
    observation as the event and a next session as censoring; how long patients would have been followed had
    nobody had one. Misleads as a measure of contact: it is how far the site's records reach.
    sessions_recorded_of_declared: recorded (events) / declared (n), over the quarters that the site declared, up to
    as_of; above 1 where more came in than were declared. There is no interval: both are full counts.

    as_of: what happened later is ignored. quarter: written YYYY-Qn; adds sessions_in_quarter, and confines the
    comparison with declarations to it.
    Raises: GraftledgerError for a quarter written otherwise.
    Source: Schemper & Smith 1996, Control Clin Trials 17:343-346 (reverse Kaplan-Meier).
    """
    if quarter is not None and not re.fullmatch(QUARTER_PATTERN, quarter):
        raise GraftledgerError(f"'{quarter}' is not a quarter. Write it YYYY-Qn, such as 2026-Q1.")
    return (
        *_record_counts(registry, as_of, quarter),
        *_follow_up(registry, as_of),
        *_declared(registry, as_of, quarter),
    )


def _record_counts(registry: Registry, as_of: date | None, quarter: str | None) -> Iterator[Figure]:
    table = rows(
        registry,
        ("record_count",),
        "from record_count",
        {"as_of": as_of, "elsewhere": ELSEWHERE, "quarter": quarter},
    )
    counts = {(site, measure): n for site, measure, n in table.select("site_code", "measure", "n").rows()}
    for measure, unit in _COUNTS.items():
        if measure == "sessions_in_quarter" and quarter is None:
            continue
        by_site = {site: counts.get((site, measure), 0) for site in registry.settings.sites}
        for group, n in [({}, sum(by_site.values())), *(({"site_code": site}, n) for site, n in by_site.items())]:
            yield Figure(measure, n, unit, "count", group=group, estimate=float(n))


def _follow_up(registry: Registry, as_of: date | None) -> Iterator[Figure]:
    for figure in next_session_follow_up(registry, by=("site_code",), with_all=True, as_of=as_of):
        # patients without a session have no site that operated, and no follow-up
        if NOT_RECORDED not in figure.group.values():
            yield figure


def _declared(registry: Registry, as_of: date | None, quarter: str | None) -> Iterator[Figure]:
    table = rows(
        registry,
        ("declared_quarter",),
        "from declared_quarter",
        {"as_of": as_of, "elsewhere": ELSEWHERE, "quarter": quarter},
    )
    by_site = {site: (declared, recorded) for site, declared, recorded in table.rows()}
    total = (sum(declared for declared, _ in by_site.values()), sum(recorded for _, recorded in by_site.values()))
    groups = [({}, total), *(({"site_code": site}, by_site.get(site, (0, 0))) for site in registry.settings.sites)]
    for group, (declared, recorded) in groups:
        yield Figure(
            "sessions_recorded_of_declared",
            declared,
            "sessions",
            "ratio_of_counts",
            group=group,
            estimate=recorded / declared if declared else None,
            events=recorded,
        )
