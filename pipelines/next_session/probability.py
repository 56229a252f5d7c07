"""How likely a next session is, by the time since the one before."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from typing import Any

import polars as pl

from registry.errors import GraftledgerError, nearest
from registry.store import Registry

from ..estimators import SurvivalCurve, clustered_survival, product_limit
from ..figure import Figure
from ..groups import EVERYBODY, Chosen, chosen_fields, group_columns
from .either_event import either_event
from .estimands import ESTIMANDS, FROM_FIRST, HERE, Estimand, session_number
from .reading import DEFAULT_AT_DAYS, Subject, event_figures
from .spells import Group, GroupTables, Request, folded, kept_spells, nobody, refuse_negative

CLUSTERED = "kaplan_meier_clustered"


def time_to_next_session(
    registry: Registry,
    *,
    estimand: str = HERE.name,
    by: Sequence[str] = ("age_band",),
    at_days: Sequence[int] = DEFAULT_AT_DAYS,
    number: str | None = None,
    first_here_only: bool = True,
    with_all: bool = False,
    chosen: Chosen = EVERYBODY,
    as_of: date | None = None,
    level: float = 0.95,
) -> tuple[Figure, ...]:
    """Probability of a next session within given days of the first, or of session k.

    Estimand "here": a next session at this practice, whatever happens elsewhere. Observed to the day up to which the
    site declares its records complete, or death. Kaplan-Meier, 1 - S(t), limits on the log(-log) scale.
    Estimand "anywhere": a next session here or elsewhere. One here is seen in the records as above; one elsewhere
    only if a later contact tells of it, so each has its own end of observation (`either_event`). Contacts prompted by
    a session, and all made after a next session here, say nothing of those who had none and are not used to tell of
    one elsewhere. A surgery elsewhere known only from an answer is put in the middle between the last "no" (or the
    session) and the "yes": an approximation, good to half that interval. Where those who went elsewhere come back less
    often than others, the share is a little high; on synthetic registries by 0.5 to 1.3 % of itself.
    Estimand "from-first", a sensitivity only: from the first surgery anywhere to a next session here, with delayed
    entry at the enrolment. Who enrolled for a session would make the hazard at entry that of everybody; so whoever,
    first operated on elsewhere, had a session here within 90 days of enrolment is left out, and the others are at
    risk from the 91st day on. Only fields of the patient can split it.
    Delayed entry: a patient enrolled after the session is at risk from the enrolment on.
    Assumes: within a group, entry and loss carry no news of who will have a next session; sites end their
    records for reasons of their own. Misleads where death is common (those who died can have no session, yet count
    as if they might have: see `next_session_causes`), where sites send sessions later than they declare, and as a
    forecast: it tells of past patients. A session at another site is seen only as far as both sites' records reach.
    With number 2 or more it tells of those who had so many sessions, not of everybody: whoever reached session k
    early is followed for longer after it, so time to the k-th and time since are tied (dependent censoring). With a
    number such as 3+, a patient gives several spells, and the variance is between patients (`clustered_survival`).

    by: names of at most two fields (`groups.group_fields`), as they stood at the starting session. With
    session_number among them, every session here starts a clock, and each group follows its sessions to the next.
    at_days: days since the session, in the order of the result; events on the day are included.
    number: the session that starts the clock, counted in the patient's life: `1`, `2`, `3+`; None: the first here.
    first_here_only: when False, patients first operated on elsewhere follow as groups of their own
    (`first_operated: elsewhere`), their clock starting at their first session here. They never join the others.
    with_all: the figures of all groups together first; the records are read once for both.
    chosen: whose sessions are looked at (`groups.choose`). as_of: what happened, or became known, later is ignored.
    Returns figures of the estimand's measure, by group, then by day: n patients (with `3+`: sessions, n_clusters
    patients) counted, events up to the day, at_risk still followed after it (the fewer of the two observations for
    "anywhere"). The estimate is None past the follow-up.
    Raises: GraftledgerError for an unknown field or estimand, a negative day, or what does not go together.
    Source: Kaplan & Meier 1958, JASA 53:457-481; see the estimators for the limits.
    """
    meaning = known_estimand(estimand)
    refuse_negative(at_days)
    fields = chosen_fields(by, registry.settings)
    asked = session_number(number) if number else None
    if meaning is FROM_FIRST:
        refuse_sessions_in(fields, chosen)
        if asked or not first_here_only:
            raise GraftledgerError(
                "The estimand from-first starts at the first surgery anywhere: leave out the session number and those "
                "first operated on elsewhere."
            )
    several = asked is not None and asked.last != asked.first
    if several and meaning is not HERE:
        raise GraftledgerError(f"A session number such as {number} goes with the estimand here. Give a single number.")
    request = Request(registry, fields, chosen, asked, as_of)
    figures: list[Figure] = []
    with kept_spells(request, meaning.steps) as texts:
        for part in (request.of_all, request) if with_all and fields else (request,):
            for first_operated in ("here",) if first_here_only else ("here", "elsewhere"):
                figures += _figures(part, meaning, {**texts, **part.group_texts}, first_operated, at_days, level)
    return tuple(figures)


def _figures(
    request: Request,
    meaning: Estimand,
    texts: Mapping[str, str],
    first_operated: str,
    at_days: Sequence[int],
    level: float,
) -> Iterator[Figure]:
    """By group, from spells that are kept."""
    several = request.number is not None and request.number.last != request.number.first
    clustered = _clustered(request, texts, first_operated) if several else {}
    for group, tables in folded(request, texts, first_operated=first_operated).items():
        named = request.named(group)
        if first_operated == "elsewhere":
            named["first_operated"] = "elsewhere"
        curve, patients = clustered.get(group, (None, None))
        subject = Subject(
            meaning.measure,
            CLUSTERED if several else meaning.method,
            request.floor,
            named,
            tables,
            level,
            tables.n,
            "sessions" if several else "patients",
            patients,
        )
        yield from event_figures(subject, curve or curve_of(tables, meaning), at_days)


def known_estimand(name: str) -> Estimand:
    """The estimand of that name.

    Raises: GraftledgerError for another name.
    """
    if name not in ESTIMANDS:
        raise GraftledgerError(
            f"There is no estimand '{name}'. Known: {', '.join(ESTIMANDS)}. {nearest(name, list(ESTIMANDS))}"
        )
    return ESTIMANDS[name]


def refuse_sessions_in(fields: Sequence[Any], chosen: Chosen) -> None:
    """Refuse fields of a session where the clock does not start at one.

    Raises: GraftledgerError naming the first.
    """
    used = [field.name for field in (*fields, *(field for field, _ in chosen.where)) if field.of_session]
    if used or chosen.since or chosen.until:
        raise GraftledgerError(
            f"The estimand from-first starts at a surgery that may have been elsewhere: it takes fields of the patient "
            f"only, not {used[0] if used else 'the day of surgery'}."
        )


def curve_of(tables: GroupTables, estimand: Estimand) -> SurvivalCurve:
    """The curve of one group: the share without a next session."""
    here = product_limit(tables.risk.get("here", nobody()))
    if "spell_anywhere" in estimand.steps:
        return either_event(here, product_limit(tables.risk.get("elsewhere", nobody())))
    return here


def _clustered(
    request: Request, texts: Mapping[str, str], first_operated: str
) -> dict[Group, tuple[SurvivalCurve, int]]:
    """Curves over several spells a patient, and how many patients they are of, by group."""
    columns = group_columns(request.fields)
    table = request.fold(("spell_history",), texts)
    own = table.filter(pl.col("first_operated") == first_operated).with_row_index("patient")
    curves = {}
    for key, part in own.partition_by(columns, as_dict=True).items() if columns else [((), own)]:
        spells = part.select("patient", "alike", "spells").explode("spells").unnest("spells")
        curves[key] = (clustered_survival(spells), int(part.get_column("alike").sum()))
    return curves
