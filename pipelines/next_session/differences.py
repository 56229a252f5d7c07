"""Do groups differ in their time to the next session?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

import polars as pl

from registry.store import Registry

from ..estimators import CountsError, GroupComparison, gray_test, log_rank
from ..figure import Figure
from ..groups import EVERYBODY, Chosen, chosen_fields
from ..measures import GRAY_P, LOG_RANK_P, NEXT_SESSION_CAUSES, NEXT_SESSION_WITH_DEATH
from .causes import session_cause_sql
from .estimands import COMPETING, HERE, session_number
from .spells import Request, group_tables, people_in


def next_session_differences(
    registry: Registry,
    *,
    by: Sequence[str],
    competing: str | None = None,
    number: str | None = None,
    chosen: Chosen = EVERYBODY,
    as_of: date | None = None,
) -> tuple[Figure, ...]:
    """How often chance alone would part the groups so far, if nothing differed.

    log_rank_p_value: log-rank test of the rates of a next session here among those still waiting. With competing
    events one a cause, the others ending the wait unseen, and beside it gray_p_value: Gray's test of the shares
    reached. A group may be reached less often only because more of it had another event first: the two then part.
    Gray's test is left out where somebody enters late, since it cannot allow for that.
    Misleads: groups that were not drawn by lot differ in much else; of 20 comparisons one is below 0.05 by chance; a
    large p from few events shows nothing. With session_number in by, or a number such as 3+, a patient stands in
    several groups or spells, which the test does not allow for: then nothing is returned.

    by: at least one field. Others as `next_session_causes`.
    Returns figures: p, 0-1, or None where there is nothing to compare; n patients, events of the cause.
    Raises: GraftledgerError as `next_session_causes`.
    Source: as `estimators.log_rank` and `estimators.gray_test`.
    """
    fields = chosen_fields(by, registry.settings)
    asked = session_number(number) if number else None
    if "session_number" in by or (asked and asked.last != asked.first):
        return ()
    request = Request(registry, fields, chosen, asked, as_of)
    if competing not in COMPETING:
        tables = {" ".join(group): part.risk.get("here") for group, part in group_tables(request, HERE.steps).items()}
        found = {name: table for name, table in tables.items() if table is not None}
        return (_figure(LOG_RANK_P, "log_rank", log_rank(found), _people(found), {}),)
    causes = NEXT_SESSION_CAUSES if competing == "reason" else (NEXT_SESSION_WITH_DEATH,)
    names = (*(cause.name for cause in causes), "death")
    groups = group_tables(request, ("start", "spell_cause"), names, {"session_cause": session_cause_sql(causes)})
    found = {" ".join(group): part.risk["here"] for group, part in groups.items() if "here" in part.risk}
    rates, shares = [], []
    for name in names:
        one = {group: _one_cause(table, name) for group, table in found.items()}
        named = {"cause": name}
        rates.append(_figure(LOG_RANK_P, "log_rank", log_rank(one), _people(one), named))
        try:
            shares.append(_figure(GRAY_P, "gray", gray_test(found, name), _people(one), named))
        except CountsError:
            continue
    return (*rates, *shares)


def _one_cause(table: pl.DataFrame, cause: str) -> pl.DataFrame:
    """A risk table in which the other causes end the wait unseen."""
    others = [name for name in table.columns if name.startswith("events_") and name != f"events_{cause}"]
    return table.select(
        "day",
        "at_risk",
        "entered",
        pl.col(f"events_{cause}").alias("events"),
        pl.sum_horizontal("censored", *others).alias("censored"),
    )


def _people(tables: Mapping[str, pl.DataFrame]) -> int:
    return sum(people_in(table) for table in tables.values())


def _figure(measure: str, method: str, test: GroupComparison, n: int, group: dict[str, str]) -> Figure:
    return Figure(
        measure,
        n,
        "patients",
        method,
        group=group,
        estimate=test.p_value,
        n_clusters=n,
        events=sum(test.observed),
    )
