"""What a registry holds, at a glance."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import date, datetime
from typing import Any

from registry import RECORD_TYPES, Registry
from registry.store import DATABASE_FILE
from registry.version import program_version

from .intake.counting import withdrawn_patients
from .site_declarations import complete_to_by_site


@dataclass(frozen=True)
class SiteStatus:
    """One site. complete_to: up to when it declares its records complete. last_intake_on: when a file of it came."""

    site: str
    patients: int
    sessions: int
    visits: int
    complete_to: date | None
    last_intake_on: date | None
    held_back: int


@dataclass(frozen=True)
class EventStatus:
    """One event."""

    intake_id: int
    kind: str
    received_at: datetime
    received_by: str
    rows_read: int
    rows_taken_in: int
    rows_held_back: int


@dataclass(frozen=True)
class RegistryStatus:
    """A registry at a glance.

    records, former: rows of each record table, and of its history.
    held_back: entries open now, those waiting among them not counted; waiting: those.
    """

    practice: str
    snapshot: str
    schema_version: int
    program_version: str
    settings: str
    file_bytes: int
    data_date: date | None
    last_contact_on: date | None
    records: Mapping[str, int]
    former: Mapping[str, int]
    sites: tuple[SiteStatus, ...]
    events: int
    last_events: tuple[EventStatus, ...]
    held_back: int
    waiting: int
    merged_keys: int
    erased_patients: int
    erasures_asked_for: tuple[str, ...]
    reports_written: int

    def as_dict(self) -> dict[str, Any]:
        """Plain data that JSON can hold, dates as text."""
        plain: dict[str, Any] = _plain(asdict(self))
        return plain


_SITES = """
    with own as (
        select site_code, count(*) as patients from patient group by all
    ),
    operated as (
        select site_code, count(*) as sessions from session group by all
    ),
    visited as (
        select site_code, count(*) as visits from visit join session using (session_key) group by all
    ),
    arrived as (
        select site_code, max(received_at)::date as last_intake_on
        from (select intake_id, unnest(site_codes) as site_code from intake_file) join intake using (intake_id)
        group by all
    ),
    held as (
        select site_code, count(*) as held_back from held_back_row where closed_as is null group by all
    )
    select site_code, coalesce(patients, 0), coalesce(sessions, 0), coalesce(visits, 0), last_intake_on,
        coalesce(held_back, 0)
    from (select unnest($sites) as site_code)
    left join own using (site_code) left join operated using (site_code) left join visited using (site_code)
    left join arrived using (site_code) left join held using (site_code)
"""

_EVENTS = """
    with files as (
        select intake_id, sum(rows_read)::bigint as rows_read, sum(rows_held_back)::bigint as rows_held_back,
            sum(rows_loaded + rows_corrected + rows_unchanged)::bigint as rows_taken_in
        from intake_file group by all
    )
    select intake_id, kind, received_at, received_by, coalesce(rows_read, 0), coalesce(rows_taken_in, 0),
        coalesce(rows_held_back, 0)
    from intake left join files using (intake_id) order by intake_id desc limit $count
"""


def registry_status(registry: Registry, *, last_events: int = 5) -> RegistryStatus:
    """The status of a registry, with its last events, the newest first."""
    execute = registry.connection.execute

    def one(sql: str) -> Any:
        return execute(sql).fetchall()[0][0]

    sites = {site: row for site, *row in execute(_SITES, {"sites": list(registry.settings.sites)}).fetchall()}
    complete_to = complete_to_by_site(registry)
    path = registry.folder / DATABASE_FILE
    return RegistryStatus(
        practice=registry.settings.practice,
        snapshot=registry.snapshot,
        schema_version=one("select schema_version from registry_info"),
        program_version=program_version(),
        settings=registry.settings.digest,
        file_bytes=path.stat().st_size if path.exists() else 0,
        data_date=registry.data_date,
        last_contact_on=one("select max(visited_on) from visit"),
        records={record.name: one(f"select count(*) from {record.name}") for record in RECORD_TYPES},
        former={record.name: one(f"select count(*) from {record.name}_history") for record in RECORD_TYPES},
        sites=tuple(
            SiteStatus(site, patients, sessions, visits, complete_to[site], last_on, held_back)
            for site, (patients, sessions, visits, last_on, held_back) in (
                (site, sites[site]) for site in registry.settings.sites
            )
        ),
        events=one("select count(*) from intake"),
        last_events=tuple(EventStatus(*row) for row in execute(_EVENTS, {"count": last_events}).fetchall()),
        held_back=one("select count(*) from held_back_row where status = 'open'"),
        waiting=one("select count(*) from held_back_row where status = 'waiting'"),
        merged_keys=one("select count(*) from patient_merge where undone_by_intake_id is null"),
        erased_patients=one("select count(*) from erasure"),
        erasures_asked_for=withdrawn_patients(registry.connection),
        reports_written=one("select count(*) from report_ledger"),
    )


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _plain(part) for key, part in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(part) for part in value]
    return value.isoformat() if isinstance(value, date | datetime) else value
