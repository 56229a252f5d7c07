"""How sessions were prepared, and whether the first steps after them were taken: shares with intervals."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date

import polars as pl

from registry.milestones import DAY_7
from registry.store import Registry

from ._queries import CONTACT, SESSION_HERE, kept, rows
from .figure import Figure
from .follow_up import contacts_of_groups
from .groups import EVERYBODY, Chosen, GroupField, choose, chosen_fields, shared_texts, shared_values
from .process_labels import CONTACTS, PROCESS_LABELS, TESTS
from .session_shares import COUNT_TEXTS, by_group_of_each, session_shares
from .spans import Span, span_field


def process_measures(
    registry: Registry,
    *,
    by: Sequence[str] = (),
    chosen: Chosen = EVERYBODY,
    as_of: date | None = None,
    level: float = 0.95,
) -> tuple[Figure, ...]:
    """Share of sessions for which each step was taken, among those of which it can be told.

    Estimator: sessions with the step / sessions with an answer, Wilson limits.
    medicines_reviewed: any answer but "not reviewed". It is the review that counts. That a medicine was stopped is no
    target, and whether it was right to continue or to stop is for the prescriber; the records do not hold who agreed
    where a medicine was continued.
    allergies_recorded: yes, of yes and no. test_<name>: the test was done before surgery; never its result. Which
    tests a patient needs is a clinical decision, so 100 % is no target by itself.
    contact_day_1, contact_day_7: as `milestone_contacts`. sutures_out_on_time: the day of suture removal lies within
    the days of the day-7 milestone, of wounds of a strip with the day recorded.
    Assumes: sessions with an answer are like those without. Misleads where steps taken are not written down: the
    share is then of what was written. One patient's sessions count as independent.

    by: names of at most two fields. chosen: whose sessions. as_of: what happened later is ignored. level: above 0,
    below 1. Returns figures in the order of PROCESS_LABELS, then by group.
    Raises: GraftledgerError for an unknown field.
    Source: Wilson 1927, JASA 22:209-212 (limits); days for sutures are common practice, no source.
    """
    return _process(registry, chosen_fields(by, registry.settings), chosen, as_of, level)


def process_by_span(
    registry: Registry, spans: Sequence[Span], *, as_of: date | None = None, level: float = 0.95
) -> tuple[tuple[Figure, ...], ...]:
    """`process_measures` of the sessions of each span, in their order; one look at the records for all."""
    whole = choose(
        registry.settings, since=min(each.first_on for each in spans), until=max(each.last_on for each in spans)
    )
    figures = _process(registry, (span_field(tuple(spans)),), whole, as_of, level)
    return tuple(
        tuple(replace(figure, group={}) for figure in figures if figure.group["span"] == str(number))
        for number in range(len(spans))
    )


def _process(
    registry: Registry, fields: Sequence[GroupField], chosen: Chosen, as_of: date | None, level: float
) -> tuple[Figure, ...]:
    texts = shared_texts(fields, chosen)
    days = {"opens": DAY_7.opens, "closes": DAY_7.closes}
    tests = {"tests": [code.name for code in TESTS.values()]}
    values = shared_values(registry.settings, as_of, chosen)
    with kept(registry, "judged_session", (*SESSION_HERE, "judged_session"), values, texts):
        counts = pl.concat(
            rows(
                registry,
                (*steps, "judged_count"),
                "from judged_count order by all",
                {**values, **tests, **days},
                {**texts, **COUNT_TEXTS, "also": "measure,", "judged": steps[-1]},
            )
            for steps in (("process_session",), (*CONTACT, "sutures_session"))
        )
    found = by_group_of_each("measure", PROCESS_LABELS, counts, fields)
    contacts = contacts_of_groups(registry, fields, chosen, tuple(CONTACTS.values()), as_of=as_of, level=level)
    figures: list[Figure] = []
    for measure in PROCESS_LABELS:
        if measure in CONTACTS:
            figures += [replace(each, measure=measure) for each in contacts if each.at == CONTACTS[measure].due]
        else:
            figures += session_shares(registry, found[measure], fields, chosen, level, measure=measure)
    return tuple(figures)
