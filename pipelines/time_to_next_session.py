"""How likely a next session is, by the time since the first."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

import polars as pl

from registry.durations import years
from registry.errors import GraftledgerError
from registry.store import Registry

from ._risk_tables import ESTIMANDS, RISK_SCHEMA, Estimand, risk_tables
from .either_event import either_event
from .estimators import SurvivalCurve, product_limit, survival_at
from .figure import NOT_COUNTED_REASONS, Figure
from .groups import GroupField, all_groups, chosen_fields, group_columns
from .measures import NEXT_SESSION_ANYWHERE, NEXT_SESSION_PROBABILITY

DEFAULT_AT_DAYS = tuple(years(count) for count in (1, 2, 3, 5, 10))

_MEASURES: Mapping[Estimand, str] = {"here": NEXT_SESSION_PROBABILITY, "anywhere": NEXT_SESSION_ANYWHERE}
_METHODS: Mapping[Estimand, str] = {"here": "kaplan_meier_loglog", "anywhere": "two_source_incidence_loglog"}


def time_to_next_session(
    registry: Registry,
    *,
    estimand: Estimand = "here",
    by: Sequence[str] = ("age_band",),
    at_days: Sequence[int] = DEFAULT_AT_DAYS,
    first_here_only: bool = True,
    as_of: date | None = None,
    level: float = 0.95,
) -> tuple[Figure, ...]:
    """Probability of a next session within given days of the first, for patients first operated on here.

    Estimand "here": a next session at this practice, whatever happens elsewhere. Observed to the day up to which the
    site declares its records complete, or death. Kaplan-Meier, 1 - S(t), limits on the log(-log) scale.
    Estimand "anywhere": a next session here or elsewhere. One here is seen in the records as above; one elsewhere
    only if a later contact tells of it, so each has its own end of observation (`either_event`). Contacts prompted by
    a session, and all made after a next session here, say nothing of those who had none and are not used to tell of
    one elsewhere. A surgery elsewhere known only from an answer is put in the middle between the last "no" (or the
    session) and the "yes": an approximation, good to half that interval. Where those who went elsewhere come back less
    often than others, the share is a little high; on synthetic registries by 0.5 to 1.3 % of itself.
    Delayed entry: a patient enrolled after the session is at risk from the enrolment on.
    Assumes: within a group, entry and loss carry no news of who will have a next session; sites end their
    records for reasons of their own. Misleads where death is common (those who died can have no session, yet count
    as if they might have), where sites send sessions later than they declare, and as a forecast: it tells of past
    patients. A session at another site is seen only as far as both sites' records reach.

    by: names of at most two fields (`groups.group_fields`), as they stood at the starting session. With
    session_number among them, every session here starts a clock, and each group follows its sessions to the next.
    at_days: days since the session, in the order of the result; events on the day are included.
    first_here_only: when False, patients first operated on elsewhere follow as groups of their own
    (`first_operated: elsewhere`), their clock starting at their first session here. They never join the others.
    as_of: what happened, or became known, later is ignored.
    Returns figures of measure next_session_probability (here) or next_session_anywhere_probability, by group, then by
    day: n patients counted, events up to the day, at_risk still followed
    after it (the fewer of the two observations for "anywhere"). The estimate is None past the follow-up.
    Raises: GraftledgerError for an unknown field or estimand, or a negative day.
    Source: Kaplan & Meier 1958, JASA 53:457-481; see the estimators for the limits.
    """
    if estimand not in ESTIMANDS:
        raise GraftledgerError(f"There is no estimand '{estimand}'. Known: {', '.join(ESTIMANDS)}.")
    if any(day < 0 for day in at_days):
        raise GraftledgerError("A time since the session cannot be negative.")
    fields = chosen_fields(by, registry.settings)
    risk, patients = risk_tables(registry, estimand, fields, as_of)
    found = patients.select(group_columns(fields)).rows()
    figures: list[Figure] = []
    for first_operated in ("here",) if first_here_only else ("here", "elsewhere"):
        counted = _counted(patients, fields, first_operated)
        curves = _curves(risk, fields, first_operated, estimand)
        for group in all_groups(fields, found):
            named = dict(zip((field.name for field in fields), group, strict=True))
            if first_operated == "elsewhere":
                named["first_operated"] = "elsewhere"
            figures += _read(
                registry,
                curves.get(group) or _curve({}, estimand),
                at_days,
                level,
                counted.get(group, {}),
                {
                    "measure": _MEASURES[estimand],
                    "group": named,
                    "method": _METHODS[estimand],
                },
            )
    return tuple(figures)


def _counted(
    patients: pl.DataFrame, fields: Sequence[GroupField], first_operated: str
) -> dict[tuple[str, ...], dict[str | None, int]]:
    """Patients of each group by reason (None: counted). Whoever was operated on elsewhere first is one reason more."""
    counted: dict[tuple[str, ...], dict[str | None, int]] = {}
    columns = [*group_columns(fields), "first_operated", "reason", "n"]
    for *group, operated, reason, n in patients.select(columns).rows():
        if first_operated == "here" and operated == "elsewhere":
            reason = "not_first_here"
        elif operated != first_operated:
            continue
        reasons = counted.setdefault(tuple(group), {})
        reasons[reason] = reasons.get(reason, 0) + n
    return counted


def _curves(
    risk: pl.DataFrame, fields: Sequence[GroupField], first_operated: str, estimand: Estimand
) -> dict[tuple[str, ...], SurvivalCurve]:
    """One curve a group."""
    parts: dict[tuple[str, ...], dict[str, pl.DataFrame]] = {}
    chosen = risk.filter(pl.col("first_operated") == first_operated)
    for key, part in chosen.partition_by([*group_columns(fields), "ending"], as_dict=True).items():
        *group, ending = key
        parts.setdefault(tuple(group), {})[ending] = part.select(list(RISK_SCHEMA))
    return {group: _curve(tables, estimand) for group, tables in parts.items()}


def _curve(tables: Mapping[str, pl.DataFrame], estimand: Estimand) -> SurvivalCurve:
    nobody = pl.DataFrame(schema=RISK_SCHEMA)
    here = product_limit(tables.get("here", nobody))
    return here if estimand == "here" else either_event(here, product_limit(tables.get("elsewhere", nobody)))


def _read(
    registry: Registry,
    curve: SurvivalCurve,
    at_days: Sequence[int],
    level: float,
    counted: Mapping[str | None, int],
    shared: Mapping[str, Any],
) -> list[Figure]:
    """The curve at each day, as figures."""
    n = counted.get(None, 0)
    not_counted = {reason: counted[reason] for reason in NOT_COUNTED_REASONS if reason in counted}
    figures = []
    for read in survival_at(curve, at_days, level):
        # a probability from the session on needs somebody followed from the session on
        known = read.estimate is not None and curve.first_day == 0
        fewest = min(read.at_risk, curve.counts.smallest_at_risk(read.at_days)) if known else 0
        flags: tuple[str, ...] = ()
        if n and read.beyond_follow_up:
            flags = ("beyond_follow_up",)
        elif fewest < registry.settings.floor_at_risk:
            flags = ("too_few",)
        figures.append(
            Figure(
                **shared,
                at=read.at_days,
                estimate=_complement(read.estimate) if known else None,
                lower=_complement(read.upper) if known else None,
                upper=_complement(read.lower) if known else None,
                level=level,
                n=n,
                n_unit="patients",
                n_clusters=n,
                events=read.events,
                at_risk=read.at_risk,
                not_counted=not_counted,
                flags=flags,
            )
        )
    return figures


def _complement(share: float | None) -> float | None:
    return None if share is None else 1.0 - share
