"""How long numbness, swelling, crusts and shedding last, and how long first growth is awaited."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import polars as pl

from registry.errors import GraftledgerError
from registry.store import Registry

from .duration_intervals import (
    INTERVAL_SCHEMA,
    DurationRequest,
    Group,
    each_session,
    group_intervals,
    kept_sessions,
    session_counts,
)
from .duration_measures import duration_measure
from .estimators import (
    GroupComparison,
    PresenceLimits,
    clustered_interval_log_rank,
    never_ended_bound,
    presence_with_limits,
    turnbull,
    wilson,
)
from .figure import NOT_COUNTED_REASONS, Figure
from .groups import EVERYBODY, NOT_RECORDED, Chosen, all_groups, chosen_fields

TURNBULL, BOUND = "turnbull_bootstrap", "turnbull_bound"
APART = 1e-6
"""Bounds that are closer are one number, but for rounding."""


def durations(
    registry: Registry,
    *,
    of: str,
    by: Sequence[str] = (),
    at_days: Sequence[int] | None = None,
    chosen: Chosen = EVERYBODY,
    as_of: date | None = None,
    level: float = 0.95,
) -> tuple[Figure, ...]:
    """Share of sessions after which it is still there (or awaited) at given days, from looks at visits alone.

    Estimator: Turnbull's, on intervals (last look that found it, first later look that did not]; limits by drawing
    patients anew (`presence_with_limits`). Looks, and the days asked for, are rounded to the nearest day of a fixed
    grid: weeks, or days for swelling and crusts; after two years, four weeks (on raw dates the limits would not hold).
    Denominator: all sessions at which somebody looked, whether they found it or not; one that never had it ended
    before the first look. (Among those found with it, whoever has it for long is found more often: a share of those
    would be too high.) A look is a contact that answers the item, whatever its mode, and each day that a complication
    record of the kind names (numbness: for numbness anywhere alone, since a record names no area).
    Rules: contacts prompted by a symptom are not used, they find it more often than looks by the calendar. Looks
    before the measure's from_day are not used: gone may then mean not yet begun. Contacts from a further session on
    are not used. Found gone and then there again: only the end for good counts, and a figure of its own says how often
    that was. Two answers on one day: there, if either says so. Sensation reduced before surgery already: not counted.
    Death and the end of records end what can be seen, no more; not one look: not counted, by reason.
    Assumes: when somebody is looked at carries no news of how long it lasts, beyond what earlier looks found. Misleads
    where the well stay away (the share is then too high) or the ill do (too low), and where sessions of recent years,
    followed for less, differ from earlier ones: on synthetic registries a share over all techniques comes out 1 to 3 %
    of itself low at month 6 and 3 to 4 % at a year, since recent sessions have fewer strips; by technique at most
    1.5 % low at month 6. There limits of 95 % held the truth in 97 % of 800 readings.
    Between surgeons or sites: small numbers and another case-mix, not a verdict. For one patient it is no promise.

    of: name of a duration (`duration_measures`), such as numbness-donor. by: names of at most two fields.
    at_days: days since the session; None takes those of the measure. chosen: whose sessions are looked at. as_of:
    what happened later is ignored. level: above 0, below 1.
    Returns figures of five measures, each by day, then group. `_still`: estimate in the middle of its bounds, n
    sessions in n_clusters patients, events known to be over by the day, at_risk looked at on the day or later and not
    known to be over before. `_still_at_least`, `_still_at_most`: the bounds, only where they differ. Bounds that agree
    on a day far from usual visits still rest on few looks: there only the limits say how little is known.
    `_never_over_at_most`: highest share in whom it may be for good, at the last day on which the curve falls and as
    many are followed as the floor asks. It is a bound, not an estimate: the share may be 0, so lower is 0; upper is
    the upper limit of the bound.
    `_gone_then_back`: share of sessions whose answers conflict. too_few: fewer than the floor are still followed while
    more were lost before the day, or fewer than the floor tell at all. beyond_follow_up: nobody was looked at so late.
    Raises: GraftledgerError for an unknown duration or field, or a day before from_day.
    Source: Turnbull 1976, J R Stat Soc B 38:290-295; see the estimators for more.
    """
    return duration_figures(duration_tables(registry, of=of, by=by, at_days=at_days, chosen=chosen, as_of=as_of), level)


@dataclass(frozen=True)
class DurationTables:
    """What the figures of a duration rest on. days: when to read. counts, intervals: by group."""

    request: DurationRequest
    days: tuple[int, ...]
    counts: Mapping[Group, Mapping[str | None, Mapping[str, int]]]
    intervals: Mapping[Group, pl.DataFrame]


def duration_tables(
    registry: Registry,
    *,
    of: str,
    by: Sequence[str] = (),
    at_days: Sequence[int] | None = None,
    chosen: Chosen = EVERYBODY,
    as_of: date | None = None,
) -> DurationTables:
    """The first half of `durations`: all that is asked of the database. Arguments and what it raises: as there."""
    measure = duration_measure(of)
    days = tuple(measure.at_days if at_days is None else at_days)
    early = [day for day in days if day < measure.from_day]
    if early:
        raise GraftledgerError(
            f"Nothing is told of day {early[0]}: {measure.of.replace('_', '-')} is looked for from day "
            f"{measure.from_day} on. Ask for later times."
        )
    request = DurationRequest(registry, measure, chosen_fields(by, registry.settings), chosen, as_of)
    with kept_sessions(request):
        return DurationTables(request, days, session_counts(request), group_intervals(request))


def duration_figures(tables: DurationTables, level: float = 0.95) -> tuple[Figure, ...]:
    """The second half, which draws patients anew and needs no database."""
    request, days = tables.request, tables.days
    groups = all_groups(request.fields, tables.counts, request.chosen)
    parts = [
        _group_figures(request, tables.counts.get(group, {}), tables.intervals.get(group), days, level)
        for group in groups
    ]
    measure, figures = request.measure, list[Figure]()
    for name in (measure.name, measure.at_least, measure.at_most, measure.never_at_most, measure.conflict):
        of_name = [
            Figure(**fields, measure=name, group=request.named(group), level=level)
            for group, part in zip(groups, parts, strict=True)
            for fields in part[name]
        ]
        if name != measure.never_at_most:  # whose day each group has for itself
            of_name.sort(key=lambda figure: days.index(figure.at) if figure.at is not None else 0)
        figures += of_name
    return tuple(figures)


def compare_durations(
    registry: Registry,
    *,
    of: str,
    by: Sequence[str],
    chosen: Chosen = EVERYBODY,
    as_of: date | None = None,
) -> GroupComparison:
    """Do groups differ in how long it lasts? Log-rank test for interval-censored durations, patients as clusters.

    Groups are named by their values, joined by ", "; those "not recorded" are left out. Assumes that all groups are
    looked at on like schedules. Groups were not drawn by lot: a difference is a reason to look, not a verdict.
    Arguments and rules: as `durations`. Raises: as there. Source: see `clustered_interval_log_rank`.
    """
    request = DurationRequest(registry, duration_measure(of), chosen_fields(by, registry.settings), chosen, as_of)
    with kept_sessions(request):
        intervals = group_intervals(request)
    recorded = {group: rows for group, rows in intervals.items() if NOT_RECORDED not in group}
    empty = pl.DataFrame(schema={**INTERVAL_SCHEMA, "group": pl.String})
    named = [rows.with_columns(group=pl.lit(", ".join(group))) for group, rows in recorded.items()]
    return clustered_interval_log_rank(pl.concat([empty, *named]))


def _group_figures(
    request: DurationRequest,
    counts: Mapping[str | None, Mapping[str, int]],
    table: pl.DataFrame | None,
    days: Sequence[int],
    level: float,
) -> dict[str, list[dict[str, Any]]]:
    """What one group's figures hold, by measure."""
    measure, settings = request.measure, request.registry.settings
    counted = counts.get(None, {})
    n = counted.get("sessions", 0)
    shared = {
        "n": n,
        "n_unit": "sessions",
        "n_clusters": counted.get("patients", 0),
        "not_counted": {reason: counts[reason]["sessions"] for reason in NOT_COUNTED_REASONS if reason in counts},
    }
    table = pl.DataFrame(schema=INTERVAL_SCHEMA) if table is None else table
    curve = turnbull(each_session(table))
    sure = never_ended_bound(curve, settings.floor_at_risk)
    bound = sure or never_ended_bound(curve)
    asked = [measure.on_grid(day) for day in days]
    found = presence_with_limits(table, [*asked, *([bound.at_days] if bound else [])], level=level)
    few = ("too_few",)
    figures: dict[str, list[dict[str, Any]]] = {measure.name: [], measure.at_least: [], measure.at_most: []}
    for day, reading in zip(days, found.readings, strict=False):
        at_day = {**shared, "at": day, **_told(reading, n, settings.floor_at_risk)}
        least, most = reading.presence.least, reading.presence.most
        middle = None if least is None or most is None else (least + most) / 2.0
        limits = {"lower": reading.lower, "upper": reading.upper}
        figures[measure.name].append({**at_day, **limits, "estimate": middle, "method": TURNBULL})
        if least is not None and most is not None and most - least > APART:
            figures[measure.at_least].append({**at_day, "estimate": least, "method": BOUND})
            figures[measure.at_most].append({**at_day, "estimate": most, "method": BOUND})
    never: dict[str, Any] = {**shared, "method": BOUND, "flags": () if sure else few}
    if bound:
        upper = found.readings[-1].upper
        told = {"events": bound.ended, "at_risk": bound.followed, "lower": None if upper is None else 0.0}
        never |= {"at": bound.at_days, "estimate": bound.most, "upper": upper, **told}
    figures[measure.never_at_most] = [never]
    back = counted.get("events", 0)
    share = wilson(back, n, level) if n else None
    figures[measure.conflict] = [
        {
            **shared,
            "estimate": share.estimate if share else None,
            "lower": share.lower if share else None,
            "upper": share.upper if share else None,
            "events": back,
            "method": "wilson",
            "flags": () if n >= settings.floor_denominator else few,
        }
    ]
    return figures


def _told(reading: PresenceLimits, n: int, floor: int) -> dict[str, Any]:
    """How many tell of the day, and what to flag."""
    presence = reading.presence
    flags: tuple[str, ...] = ()
    if n and presence.beyond_follow_up:
        flags = ("beyond_follow_up",)
    elif n - presence.lost < floor or (presence.followed < floor and presence.lost > presence.followed):
        flags = ("too_few",)
    return {"events": presence.ended, "at_risk": presence.followed, "flags": flags}
