"""What ends the wait for a next session: one for progression, one planned as a stage, another, or death before any."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from registry.definition.codes import SESSION_REASON
from registry.errors import GraftledgerError
from registry.store import Registry

from ..estimators import cumulative_incidence, incidence_at
from ..figure import Figure
from ..groups import EVERYBODY, Chosen, chosen_fields
from ..measures import DEATH_BEFORE_NEXT_SESSION, NEXT_SESSION_CAUSES, NEXT_SESSION_WITH_DEATH, SessionCause
from .estimands import COMPETING, session_number
from .reading import DEFAULT_AT_DAYS, Subject, figure_at
from .spells import Group, GroupTables, Request, group_tables, nobody, refuse_negative

DEATH = "death"


def next_session_causes(
    registry: Registry,
    *,
    competing: str = "death",
    by: Sequence[str] = (),
    at_days: Sequence[int] = DEFAULT_AT_DAYS,
    number: str | None = None,
    chosen: Chosen = EVERYBODY,
    as_of: date | None = None,
    level: float = 0.95,
) -> tuple[Figure, ...]:
    """Share that has had a next session here by given days, with death, and on request other reasons, competing.

    Estimator: Aalen-Johansen cumulative incidence, limits on the log(-log) scale with the infinitesimal-jackknife
    variance (`estimators.cumulative_incidence`). Whoever dies first has no session any more; the shares of all causes
    and of those still waiting add up to one. With competing "reason" a next session counts under the reason recorded
    for it: for progression or density, as a stage planned before, for another reason, or not recorded; a planned
    stage is no sign of thinning. Patients are those first operated on here, observed as in the estimand "here".
    A session on the day of death counts as a session.
    Assumes: within a group, entry and the end of records carry no news of what comes next; the reason is recorded
    truthfully. Misleads as a statement on what drives a reason: a cause may be rarer only because another came first.
    Where reasons are often not recorded, every other share is too low by a part of that one, which stands beside it.
    With number 2 or more: among those who had so many sessions; a number such as 3+ is refused, as one patient would
    give several spells.

    by, at_days, number, chosen, as_of, level: as `time_to_next_session`.
    Returns figures by group, then cause, then day; at_risk still waiting after the day, events of that cause up to it.
    Raises: GraftledgerError for an unknown field, a negative day, or what does not go together.
    Source: Aalen & Johansen 1978, Scand J Stat 5:141-150.
    """
    if competing not in COMPETING:
        raise GraftledgerError(f"Competing events are {' or '.join(COMPETING)}, not '{competing}'.")
    refuse_negative(at_days)
    asked = session_number(number) if number else None
    if asked and asked.last != asked.first:
        raise GraftledgerError("With competing events give a single session number, such as 2.")
    fields = chosen_fields(by, registry.settings)
    request = Request(registry, fields, chosen, asked, as_of)
    causes = NEXT_SESSION_CAUSES if competing == "reason" else (NEXT_SESSION_WITH_DEATH,)
    figures: list[Figure] = []
    for group, tables in cause_tables(request, causes).items():
        figures += cause_figures(causes, tables, request.named(group), request.floor, at_days, level)
    return tuple(figures)


def cause_tables(request: Request, causes: Sequence[SessionCause]) -> dict[Group, GroupTables]:
    """Risk tables with death and these causes of a next session ruling each other out, by group."""
    texts = {"session_cause": session_cause_sql(causes)}
    return group_tables(request, ("start", "spell_cause"), ending_names(causes), texts)


def ending_names(causes: Sequence[SessionCause]) -> tuple[str, ...]:
    """What may end the wait, by the names of a risk table."""
    return (*(cause.name for cause in causes), DEATH)


def cause_figures(
    causes: Sequence[SessionCause],
    tables: GroupTables,
    group: dict[str, str],
    floor: int,
    at_days: Sequence[int],
    level: float,
) -> list[Figure]:
    """Figures of one group: cumulative incidence of each cause, then of death."""
    names = ending_names(causes)
    measures = (*(cause.measure for cause in causes), DEATH_BEFORE_NEXT_SESSION)
    curves = cumulative_incidence(tables.risk.get("here", nobody(names)))
    figures = []
    for cause, measure in zip(names, measures, strict=True):
        subject = Subject(measure, "aalen_johansen", floor, group, tables, level, tables.n)
        for read in incidence_at(curves, cause, at_days, level):
            seen = read.estimate is not None and curves.counts.first_day == 0
            fewest = curves.counts.smallest_at_risk(read.at_days) if seen else None
            figures.append(figure_at(subject, read, fewest))
    return figures


def session_cause_sql(causes: Sequence[SessionCause]) -> str:
    """The cause of a next session, as text in SQL. The codes are those of the definition.

    >>> session_cause_sql((SessionCause("any", "m", "L", None),))
    "'any'"
    """
    cases: list[str] = []
    for cause in causes:
        if cause.reasons is None:
            return f"case {' '.join(cases)} else '{cause.name}' end" if cases else f"'{cause.name}'"
        assert set(cause.reasons) <= set(SESSION_REASON.names)
        listed = ", ".join(f"'{reason}'" for reason in cause.reasons)
        cases.append(f"when next_here_reason in ({listed}) then '{cause.name}'")
    raise ValueError("the last cause must take the sessions that are left")
