"""The cases behind a figure of a quarter: their keys, for whoever has to look them up in the notes."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING

from registry.errors import GraftledgerError, nearest
from registry.store import Registry

from ._queries import rows
from .groups import choose, shared_texts, shared_values
from .measures import MEASURE_LABELS
from .recent_outcomes import ASKED
from .serious_complications import serious_cases
from .session_answers import Question, kept_answers
from .spans import Span

if TYPE_CHECKING:
    import polars as pl

EVENT, NO_EVENT = "event", "no_event"
SERIOUS = "serious"


@dataclass(frozen=True)
class CasesBehind:
    """The sessions that one figure looks at.

    label: of the measure. operated: when they took place. frame: one row a session: session_key, patient_key,
    site_code, surgeon_code, performed_on, and state: `event`, `no_event`, or the reason why it cannot be told; of
    severe complications the kind, one row a record.
    """

    name: str
    label: str
    operated: Span
    frame: pl.DataFrame = field(repr=False)

    def count(self, state: str) -> int:
        """Rows of one state."""
        return int((self.frame["state"] == state).sum())


def figures_with_cases() -> dict[str, str]:
    """Name and label of each figure whose cases can be asked for."""
    return {SERIOUS: "Severe complications", **{_name(each): _label(each) for each in ASKED}}


def cases_behind(registry: Registry, name: str, span: Span) -> CasesBehind:
    """The cases of a span behind a figure: the sessions that `recent_outcomes` judges, or `serious_complications`
    counts, with the same rules and as of the span's last day.

    name: one of `figures_with_cases`. Whose case it is stands in it: it is for those who may know.
    Raises: GraftledgerError for another name.
    """
    if name == SERIOUS:
        frame = serious_cases(registry, span.first_on, span.last_on).rename({"kind": "state"})
        return CasesBehind(name, figures_with_cases()[name], span, frame)
    question = next((each for each in ASKED if _name(each) == name), None)
    if question is None:
        raise GraftledgerError(f"'{name}' is no figure with cases. {nearest(name, list(figures_with_cases()))}")
    operated = span.earlier(question.closes)
    return CasesBehind(name, _label(question), operated, _judged(registry, question, operated, span.last_on))


def _judged(registry: Registry, question: Question, operated: Span, as_of: date) -> pl.DataFrame:
    chosen = choose(registry.settings, since=operated.first_on, until=operated.last_on)
    values, texts = shared_values(registry.settings, as_of, chosen), shared_texts((), chosen)
    named = {
        **texts,
        **question.texts,
        "groups": "s.session_key,",
        "judged": question.steps[-1],
    }
    with kept_answers(registry, values, texts):
        return rows(
            registry,
            (*question.steps, "case_behind"),
            "from case_behind order by state <> 'event', state, performed_on, session_key",
            question.days,
            named,
        )


def _name(question: Question) -> str:
    return question.measure.name + (f"-{question.milestone.name}" if question.milestone else "")


def _label(question: Question) -> str:
    label = MEASURE_LABELS[question.measure.name]
    return f"{label}, {question.milestone.name.replace('_', ' ')}" if question.milestone else label
