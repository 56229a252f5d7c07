"""How common swelling, bruised eyes, folliculitis, infection and lasting numbness are after a session."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from typing import Any

import polars as pl

from registry.milestones import Milestone
from registry.store import Registry

from ._queries import SESSION_HERE, kept, rows
from .figure import Figure
from .groups import EVERYBODY, Chosen, chosen_fields, shared_texts, shared_values
from .measures import PRESENT_MEASURES, WINDOW_MEASURES, PresentMeasure, WindowMeasure
from .session_shares import by_group, session_shares


def complications(
    registry: Registry,
    *,
    by: Sequence[str] = (),
    chosen: Chosen = EVERYBODY,
    as_of: date | None = None,
    level: float = 0.95,
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
    is ignored. level: above 0, below 1.
    Returns figures by measure, then milestone, then group: n sessions assessed, n_clusters their patients.
    Raises: GraftledgerError for an unknown field.
    Source: Wilson 1927, JASA 22:209-212 (limits); the windows are common practice, no source.
    """
    fields = chosen_fields(by, registry.settings)
    values, texts = shared_values(registry.settings, as_of, chosen), shared_texts(fields, chosen)
    figures: list[Figure] = []
    with kept_answers(registry, values, texts):
        for question in QUESTIONS:
            found = by_group(judged(registry, question, "judged_count", texts), fields)
            figures += session_shares(registry, found, fields, chosen, level, **question.names)
    return tuple(figures)


@dataclass(frozen=True)
class Question:
    """What is asked of a session: a measure, at a milestone where it has those. closes: last day that may tell."""

    measure: WindowMeasure | PresentMeasure
    milestone: Milestone | None = None

    @property
    def at(self) -> int | None:
        return self.milestone.due if self.milestone else None

    @property
    def closes(self) -> int:
        return self.milestone.closes if self.milestone else self._window.closes

    @property
    def names(self) -> dict[str, Any]:
        """What names its figures."""
        window = f"{self.milestone.opens}-{self.milestone.closes}" if self.milestone else self._window.window_label
        return {"measure": self.measure.name, "at": self.at, "window": window}

    @property
    def steps(self) -> tuple[str, ...]:
        """The steps that judge sessions; the last has one row each."""
        return ("present_judged",) if self.milestone else ("chain", "onset", "window_judged")

    @property
    def days(self) -> dict[str, Any]:
        """The values that the steps bind."""
        if self.milestone:
            return {"due": self.milestone.due, "opens": self.milestone.opens, "closes": self.milestone.closes}
        return {"window": self._window.window, "closes": self._window.closes, "kind": self._window.kind}

    @property
    def _window(self) -> WindowMeasure:
        assert isinstance(self.measure, WindowMeasure)
        return self.measure


QUESTIONS = (
    *(Question(window) for window in WINDOW_MEASURES),
    *(Question(present, milestone) for present in PRESENT_MEASURES for milestone in present.milestones),
)


@contextmanager
def kept_answers(registry: Registry, values: Mapping[str, Any], texts: Mapping[str, str]) -> Iterator[None]:
    """Keep sessions with what came next, and what each day of contact answers: the ground of every question."""
    days, answers = {"latest_close": LATEST_CLOSE}, {"contact_answers": CONTACT_ANSWERS}
    with (
        kept(registry, "judged_session", (*SESSION_HERE, "judged_session"), values, texts),
        kept(registry, "contact_day", ("contact_day",), days, answers),
    ):
        yield


def judged(registry: Registry, question: Question, fold: str, texts: Mapping[str, str]) -> pl.DataFrame:
    """The rows of a step over the sessions judged, within `kept_answers`. fold: its name; it reads `{judged}`."""
    names = {**texts, **answer_columns(question.measure), "judged": question.steps[-1]}
    return rows(registry, (*question.steps, fold), f"from {fold} order by all", question.days, names)


def answer_columns(measure: WindowMeasure | PresentMeasure) -> dict[str, str]:
    """The columns that hold a measure's answers on a day of contact."""
    return {part: f"{measure.name}_{part}" for part in ("answered", "positive", "seen")}


def _answers_sql() -> str:
    """The columns of all measures: does any contact of the day answer, positively, or see the event?"""
    parts = []
    measures: list[WindowMeasure | PresentMeasure] = [*WINDOW_MEASURES, *PRESENT_MEASURES]
    for measure in measures:
        columns = answer_columns(measure)
        parts.append(f"bool_or({measure.answered}) as {columns['answered']}")
        parts.append(f"coalesce(bool_or({measure.positive}), false) as {columns['positive']}")
        if isinstance(measure, WindowMeasure):
            parts.append(f"coalesce(bool_or({measure.seen}), false) as {columns['seen']}")
    return ", ".join(parts)


CONTACT_ANSWERS = _answers_sql()
"""The columns of `contact_day`."""
LATEST_CLOSE = max(
    *(window.closes for window in WINDOW_MEASURES),
    *(milestone.closes for present in PRESENT_MEASURES for milestone in present.milestones),
)
"""The last day on which a contact may matter to any of them."""
