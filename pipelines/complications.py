"""How common swelling, bruised eyes, folliculitis, infection and lasting numbness are after a session."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import date

from registry.store import Registry

from .figure import Figure
from .groups import EVERYBODY, Chosen, chosen_fields, shared_texts, shared_values
from .session_answers import QUESTIONS, judged, kept_answers
from .session_shares import by_group, session_shares


def complications(
    registry: Registry,
    *,
    by: Sequence[str] = (),
    chosen: Chosen = EVERYBODY,
    as_of: date | None = None,
    level: float = 0.95,
    measures: Collection[str] | None = None,
) -> tuple[Figure, ...]:
    """Share of sessions followed by each complication, among those of which it can be told.

    Estimator: events / assessed sessions, Wilson limits. An event in a window (days 0 to W) needs an unbroken chain of
    contacts, each answering the item for the time since the last, from the session to the first contact on or after
    day W and no later than the closing day. It happened where the chain, a complication record with its onset by W,
    or a look by W says so. A positive answer at a closing contact later than W counts, though the onset may fall
    after W, unless a complication record places it there: the share is, if anything, a little high.
    Numbness is read at the contact nearest to month 6 and month 12 that answers it. That may be a month (at month 12:
    two or three) off, and the share falls ever slower, so it comes out a little high; on synthetic registries by 1 to
    2 % of itself at month 6.
    Sessions that are not due, after which the patient died or was operated on again, or that were not assessed stand
    in not_counted by reason; an event among them counts neither way. Missing is never "no".
    Assumes: sessions assessed are like those not assessed. Misleads where the well stay away (the share is then too
    high) or the ill do (too low); compare not_counted. One patient's sessions count as independent; where many have
    several, limits are a little narrow. Numbness there before surgery counts as present.
    Between surgeons or sites: small numbers and another case-mix, not a verdict.

    by: names of at most two fields. chosen: whose sessions are looked at (`groups.choose`). as_of: what happened later
    is ignored. level: above 0, below 1. measures: names of those to give; None gives all.
    Returns figures by measure, then milestone, then group: n sessions assessed, n_clusters their patients.
    Raises: GraftledgerError for an unknown field.
    Source: Wilson 1927, JASA 22:209-212 (limits); the windows are common practice, no source.
    """
    fields = chosen_fields(by, registry.settings)
    values, texts = shared_values(registry.settings, as_of, chosen), shared_texts(fields, chosen)
    figures: list[Figure] = []
    questions = [each for each in QUESTIONS if measures is None or each.measure.name in measures]
    if not questions:
        return ()
    with kept_answers(registry, values, texts, questions):
        for question in questions:
            found = by_group(judged(registry, question, "judged_count", texts), fields)
            figures += session_shares(registry, found, fields, chosen, level, **question.names)
    return tuple(figures)
