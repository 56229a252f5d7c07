"""Follow-up completeness: was there a contact at each milestone that fell due?"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import date

from registry._ddl import enumeration
from registry.milestones import MILESTONES, Milestone, yearly
from registry.store import Registry

from .._queries import CONTACT, SESSION_HERE, kept, rows
from ..figure import Figure
from ..groups import EVERYBODY, Chosen, GroupField, chosen_fields, milestone_values, shared_texts, shared_values
from ..session_shares import COUNT_TEXTS, by_group_of_each, session_shares

MILESTONE_CONTACT = "milestone_contact"
LAST_YEAR = 5
"""The last yearly milestone that is looked at: common practice, no source."""
FOLLOW_UP_MILESTONES = (*MILESTONES, *(yearly(count) for count in range(2, LAST_YEAR + 1)))


def milestone_contacts(
    registry: Registry,
    *,
    by: Sequence[str] = (),
    chosen: Chosen = EVERYBODY,
    closed_from: date | None = None,
    closed_to: date | None = None,
    as_of: date | None = None,
    level: float = 0.95,
) -> tuple[Figure, ...]:
    """Share of sessions with a contact at each milestone, among those for which its days have passed.

    Estimator: sessions with any contact in the days that serve the milestone / sessions due, Wilson limits. Due are
    sessions for which those days lie within the records of their site. Whoever could not be reached, left care or was
    discharged stays in the denominator: nobody saw them. Death or a further session before the days end takes a
    session out.
    Assumes: sessions are independent; a patient with several makes the limits slightly too narrow. Misleads as a
    measure of what is known: a contact need not have asked every question.

    by: names of at most two fields. chosen: whose sessions. closed_from, closed_to: only milestones whose last day
    falls between them; None leaves a side open. as_of: what happened later is ignored. level: above 0, below 1.
    Returns figures `milestone_contact` by milestone, then group: at the day it is due, n sessions due, events those
    with a contact.
    Raises: GraftledgerError for an unknown field.
    Source: Wilson 1927, JASA 22:209-212 (limits); the milestones are common practice, no source.
    """
    fields = chosen_fields(by, registry.settings)
    span = (closed_from, closed_to)
    with _judged(registry, fields, chosen, as_of, FOLLOW_UP_MILESTONES):
        return _shares(registry, fields, chosen, span, level, FOLLOW_UP_MILESTONES)


def quarter_contacts(
    registry: Registry, first_on: date, last_on: date, *, by: Sequence[str] = (), level: float = 0.95
) -> tuple[tuple[Figure, ...], tuple[Figure, ...], tuple[Figure, ...]]:
    """`milestone_contacts` to date, of milestones that closed from first_on to last_on, and to date by fields.

    As of last_on. One look at the records for all three. Without `by` the third is empty.
    """
    fields = chosen_fields(by, registry.settings)
    with _judged(registry, fields, EVERYBODY, last_on, FOLLOW_UP_MILESTONES):
        to_date, in_quarter, by_fields = (
            _shares(registry, chosen, EVERYBODY, span, level, FOLLOW_UP_MILESTONES)
            for chosen, span in (((), (None, None)), ((), (first_on, last_on)), (fields, (None, None)))
        )
    return to_date, in_quarter, by_fields if by else ()


def contacts_of_groups(
    registry: Registry,
    fields: Sequence[GroupField],
    chosen: Chosen,
    milestones: Sequence[Milestone],
    *,
    as_of: date | None,
    level: float,
) -> tuple[Figure, ...]:
    """`milestone_contacts` at some milestones, by fields that need not be known by name."""
    with _judged(registry, fields, chosen, as_of, milestones):
        return _shares(registry, fields, chosen, (None, None), level, milestones)


@contextmanager
def _judged(
    registry: Registry,
    fields: Sequence[GroupField],
    chosen: Chosen,
    as_of: date | None,
    milestones: Sequence[Milestone],
) -> Iterator[None]:
    """Keep one row a session and milestone for the length of a `with` block."""
    texts = shared_texts(fields, chosen)
    values = {**shared_values(registry.settings, as_of, chosen), **milestone_values(milestones)}
    bits = (f"if(day between {each.opens} and {each.closes}, {1 << bit}, 0)" for bit, each in enumerate(milestones))
    served = {"milestones_served": " | ".join(bits), "milestones": enumeration(each.name for each in milestones)}
    with (
        kept(registry, "judged_session", (*SESSION_HERE, "judged_session"), values, texts),
        kept(registry, "milestone_contact", (*CONTACT, "milestone", "milestone_contact"), values, texts | served),
    ):
        yield


def _shares(
    registry: Registry,
    fields: Sequence[GroupField],
    chosen: Chosen,
    span: tuple[date | None, date | None],
    level: float,
    milestones: Sequence[Milestone],
) -> tuple[Figure, ...]:
    counts = rows(
        registry,
        ("milestone_closed", "judged_count"),
        "from judged_count order by all",
        {"closed_from": span[0], "closed_to": span[1]},
        {**shared_texts(fields, chosen), **COUNT_TEXTS, "also": "milestone,", "judged": "milestone_closed"},
    )
    found = by_group_of_each("milestone", [each.name for each in milestones], counts, fields)
    return tuple(
        figure
        for milestone in milestones
        for figure in session_shares(
            registry,
            found[milestone.name],
            fields,
            chosen,
            level,
            measure=MILESTONE_CONTACT,
            at=milestone.due,
            window=f"{milestone.opens}-{milestone.closes}",
        )
    )
