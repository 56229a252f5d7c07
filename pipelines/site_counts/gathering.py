"""The counts of one registry."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl

from registry.definition import ELSEWHERE, Kind, record_type
from registry.errors import GraftledgerError
from registry.snapshot import computed_sums, snapshot_id, stored_sums
from registry.store import Registry
from registry.version import program_version

from ..complication_counts import WindowCounts, window_counts
from ..complication_kinds import DEFAULT_WINDOWS, KINDS, SEVERITIES, Window
from ..complication_request import ComplicationRequest
from ..figure import NOT_COUNTED_REASONS
from ..graft_survival import SumsByGroup, survival_sums
from ..groups import EVERYBODY, GroupField, chosen_fields, shared_texts, shared_values
from ..measures import NEXT_SESSION_CAUSES
from ..next_session.causes import cause_tables
from ..next_session.estimands import ANYWHERE
from ..next_session.spells import GroupTables, Request, group_tables
from ..session_answers import QUESTIONS, judged, kept_answers
from ..session_shares import by_group
from .model import (
    COUNTED,
    FORMAT,
    VERSION,
    AfterSession,
    Anywhere,
    Asked,
    Floors,
    Grafts,
    GraftSums,
    InWindow,
    Movements,
    NextSession,
    OfClass,
    OfKind,
    Protection,
    SiteCounts,
)
from .protecting import protected

DEFAULT_FEWEST = 11
"""Patients behind a number, or it is left out. Common practice, no source; as `exports.DEFAULT_K`."""


def gather_counts(
    registry: Registry, *, by: Sequence[str] = (), exact_days: bool = False, fewest: int = DEFAULT_FEWEST
) -> SiteCounts:
    """All that pooled figures need of this registry, without a record.

    Counts, not figures: tables of who leaves observation on which day, numerators and denominators, and sums over
    patients of squares and products. They come from the very functions that this registry's own figures come from.
    by: as figures are split, at most two fields; no field that names a surgeon, whose codes mean something at one site
    only. exact_days: days as they are; else in months. fewest: patients behind a number, or it is left out.
    Misleads where a patient is in two registries: counted twice, and nothing here can tell.
    Raises: GraftledgerError for an unknown field, one of a surgeon, a number below 1, or a registry without records.
    """
    if fewest < 1:
        raise GraftledgerError("The fewest patients behind a number are 1 or more.")
    fields = chosen_fields(by, registry.settings)
    _refuse_surgeons(fields)
    settings = registry.settings
    found = SiteCounts(
        format=FORMAT,
        version=VERSION,
        program=program_version(),
        snapshot=_snapshot(registry),
        data_date=registry.data_date,
        sites=_sites(registry),
        asked=Asked(
            by=tuple(by),
            age_edges=settings.age_edges,
            mature_window=settings.mature_window,
            kinds=KINDS,
            severities=tuple(SEVERITIES),
            windows=tuple(window.name for window in DEFAULT_WINDOWS),
        ),
        floors=Floors(at_risk=settings.floor_at_risk, denominator=settings.floor_denominator),
        protection=Protection(days="exact", fewest=1, left_out=()),
        next_session=_next_session(registry, fields),
        next_session_anywhere=_anywhere(registry, fields),
        complications=_after_sessions(registry, fields),
        complications_of_every_kind=_every_kind(registry, fields),
        graft_survival=_grafts(registry, fields),
    )
    return protected(found, fewest=fewest, months_only=not exact_days)


def _refuse_surgeons(fields: Sequence[GroupField]) -> None:
    surgeons = {field.name for field in record_type("session").fields if field.kind is Kind.SURGEON}
    for field in fields:
        if field.name in surgeons:
            raise GraftledgerError(
                f"Counts cannot be split by {field.name}: a surgeon's code means something at one site only. "
                "Split by another field, such as technique."
            )


def _snapshot(registry: Registry) -> str:
    """The registry's own; computed where records are read from elsewhere and no sums are kept (docs/many_sites.md)."""
    if any(kept.row_count for kept in stored_sums(registry.connection).values()):
        return registry.snapshot
    return snapshot_id(computed_sums(registry.connection))


def _sites(registry: Registry) -> tuple[str, ...]:
    query = """
        select distinct site_code from (select site_code from patient union select site_code from session)
        where site_code <> $1 order by all
    """
    found = registry.connection.execute(query, [ELSEWHERE]).fetchall()
    if not found:
        raise GraftledgerError("The registry holds no records yet, so there is nothing to count.")
    return tuple(site for (site,) in found)


def _reasons(counted: Mapping[Any, int]) -> dict[str, int]:
    """Counts by reason in a fixed order, those counted first."""
    return {reason or COUNTED: counted[reason] for reason in (None, *NOT_COUNTED_REASONS) if reason in counted}


def _movements(table: pl.DataFrame | None, names: Sequence[str]) -> Movements:
    """The movements of a risk table; of nobody where there is none. names: what may end the wait."""
    if table is None:
        return Movements(day=(), entered=(), events=dict.fromkeys(names, ()), censored=())
    columns = {name: tuple(table.get_column(name).to_list()) for name in table.columns}
    events = {name: columns.get(f"events_{name}", columns.get("events", ())) for name in names}
    return Movements(day=columns["day"], entered=columns["entered"], events=events, censored=columns["censored"])


def _present(groups: Mapping[tuple[str, ...], GroupTables]) -> list[tuple[tuple[str, ...], GroupTables]]:
    return [(group, tables) for group, tables in groups.items() if tables.counted]


def _next_session(registry: Registry, fields: tuple[GroupField, ...]) -> tuple[NextSession, ...]:
    request = Request(registry, fields, EVERYBODY, None, None)
    groups = cause_tables(request, NEXT_SESSION_CAUSES)
    names = [*(cause.name for cause in NEXT_SESSION_CAUSES), "death"]
    return tuple(
        NextSession(group=group, patients=_reasons(tables.counted), here=_movements(tables.risk.get("here"), names))
        for group, tables in _present(groups)
    )


def _anywhere(registry: Registry, fields: tuple[GroupField, ...]) -> tuple[Anywhere, ...]:
    groups = group_tables(Request(registry, fields, EVERYBODY, None, None), ANYWHERE.steps)
    return tuple(
        Anywhere(
            group=group,
            patients=_reasons(tables.counted),
            here=_movements(tables.risk.get("here"), ["next_session"]),
            elsewhere=_movements(tables.risk.get("elsewhere"), ["next_session"]),
        )
        for group, tables in _present(groups)
    )


def _after_sessions(registry: Registry, fields: tuple[GroupField, ...]) -> tuple[AfterSession, ...]:
    texts, found = shared_texts(fields), []
    with kept_answers(registry, shared_values(registry.settings, None), texts):
        for question in QUESTIONS:
            for group, reasons in by_group(judged(registry, question, "judged_count", texts), fields).items():
                n, events, patients = ({key: counts[place] for key, counts in reasons.items()} for place in range(3))
                found.append(
                    AfterSession(
                        measure=question.measure.name,
                        at=question.at,
                        group=group,
                        n=_reasons(n),
                        events=_reasons(events),
                        patients=_reasons(patients),
                    )
                )
    return tuple(found)


def _every_kind(registry: Registry, fields: tuple[GroupField, ...]) -> tuple[InWindow, ...]:
    request = ComplicationRequest(registry, fields, EVERYBODY, KINDS, tuple(SEVERITIES))
    return tuple(
        part
        for window, counts in zip(DEFAULT_WINDOWS, window_counts(request, DEFAULT_WINDOWS), strict=True)
        for part in _in_window(window, counts)
    )


def _in_window(window: Window, counts: WindowCounts) -> list[InWindow]:
    return [
        InWindow(
            window=window.name,
            group=group,
            classes={
                name: OfClass(n=of.n, patients=of.patients, sum_xx=of.sum_xx, reasons=_reasons(of.reasons))
                for name, of in sorted(by_class.items())
            },
            kinds=tuple(
                OfKind(
                    kind=kind,
                    severity=severity,
                    events=_reasons(events.events),
                    undated=_reasons(events.undated),
                    straddling=_reasons(events.straddling),
                    sum_yy=events.sum_yy,
                    sum_xy=events.sum_xy,
                )
                for (found, kind, severity), events in sorted(counts.events.items(), key=lambda item: item[0][1:])
                if found == group
            ),
        )
        for group, by_class in sorted(counts.classes.items())
    ]


def _grafts(registry: Registry, fields: tuple[GroupField, ...]) -> tuple[Grafts, ...]:
    by_group: SumsByGroup = survival_sums(registry, fields, by_hairs=False, window=registry.settings.mature_window)
    found = []
    for group, rows in by_group.items():
        counted = rows.get(None)
        sums = GraftSums(**{name: counted[name] for name in GraftSums.model_fields}) if counted else None
        sessions = {reason: row["sessions"] for reason, row in rows.items() if reason is not None}
        found.append(Grafts(group=group, sums=sums, sessions=_reasons(sessions)))
    return tuple(found)
