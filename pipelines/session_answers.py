"""What the contacts about each session answer, and what was asked of them: the ground of figures of complications."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import polars as pl

from registry.milestones import Milestone
from registry.store import Registry

from ._queries import CONTACT, SESSION_HERE, kept, rows, step_text
from .measures import PRESENT_MEASURES, WINDOW_MEASURES, PresentMeasure, WindowMeasure
from .session_shares import COUNT_TEXTS


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
        """The steps that judge sessions, within `kept_answers`; the last has one row each."""
        return ("present_judged",) if self.milestone else ("onset", "window_judged")

    @property
    def days(self) -> dict[str, Any]:
        """The values that the steps bind."""
        if self.milestone:
            return {"opens": self.milestone.opens, "closes": self.milestone.closes}
        return {"window": self._window.window, "closes": self._window.closes, "kind": self._window.kind}

    @property
    def texts(self) -> dict[str, str]:
        """The names of its columns in `session_answers`."""
        if self.milestone:
            return {"name": f"{self.measure.name}_{self.milestone.name}", "any_contact": _any_contact(self.milestone)}
        return {"name": self.measure.name}

    @property
    def column(self) -> str:
        """Its columns in `session_answers`."""
        bits = {part: _told(self.measure, part) for name, part in _PARTS if name == self.measure.name}
        if self.milestone:
            days = {"due": str(self.milestone.due), "within": _within(self.milestone)}
            return step_text("present_answers", {**self.texts, **bits, **days})
        window = {"window": str(self._window.window), "closes": str(self.closes)}
        return step_text("window_answers", {**self.texts, **bits, **window})

    @property
    def _window(self) -> WindowMeasure:
        assert isinstance(self.measure, WindowMeasure)
        return self.measure


QUESTIONS = (
    *(Question(window) for window in WINDOW_MEASURES),
    *(Question(present, each) for present in PRESENT_MEASURES for each in present.milestones),
)


@contextmanager
def kept_answers(
    registry: Registry,
    values: Mapping[str, Any],
    texts: Mapping[str, str],
    questions: Sequence[Question] = QUESTIONS,
) -> Iterator[None]:
    """Keep sessions with what came next, and what their contacts answer: the ground of these questions."""
    answers = {**values, **_answer_days(questions)}
    steps = ("contact_day", "session_answers", "answered_session")
    with (
        kept(registry, "judged_session", (*SESSION_HERE, "judged_session"), values, texts),
        kept(registry, "answered_session", (*CONTACT, *steps), answers, _answer_texts(questions)),
    ):
        yield


def judged(registry: Registry, question: Question, fold: str, texts: Mapping[str, str]) -> pl.DataFrame:
    """The rows of a step over the sessions judged, within `kept_answers`. fold: its name; it reads `{judged}`."""
    names = {**texts, **COUNT_TEXTS, **question.texts, "judged": question.steps[-1]}
    return rows(registry, (*question.steps, fold), f"from {fold} order by all", question.days, names)


def _answer_days(questions: Sequence[Question]) -> dict[str, int | None]:
    """The days within which contacts answer; None where no question of the kind is asked."""
    milestones = _milestones(questions)
    return {
        "latest_close": max(question.closes for question in questions),
        "windows_close": max((question.closes for question in questions if not question.milestone), default=None),
        "milestones_open": min((milestone.opens for milestone in milestones), default=None),
        "milestones_close": max((milestone.closes for milestone in milestones), default=None),
    }


def _answer_texts(questions: Sequence[Question]) -> dict[str, str]:
    measures = {question.measure.name for question in questions}
    bits = [
        f"if({predicate}, {1 << bit}, 0)"
        for bit, ((name, _), predicate) in enumerate(_PARTS.items())
        if name in measures
    ]
    of_windows = [question.column for question in questions if not question.milestone]
    of_milestones = [question.column for question in questions if question.milestone]
    contacts = [f"bool_or({_within(milestone)}) as {_any_contact(milestone)}" for milestone in _milestones(questions)]
    return {
        "answers": " | ".join(bits),
        "window_columns": ",\n    ".join(of_windows),
        "milestone_columns": ",\n    ".join([*of_milestones, *contacts]),
    }


def _milestones(questions: Sequence[Question]) -> list[Milestone]:
    """The milestones asked of, each once."""
    return list(dict.fromkeys(question.milestone for question in questions if question.milestone))


_MEASURES: tuple[WindowMeasure | PresentMeasure, ...] = (*WINDOW_MEASURES, *PRESENT_MEASURES)
_PARTS = {
    (measure.name, part): predicate
    for measure in _MEASURES
    for part, predicate in (
        ("answered", measure.answered),
        ("positive", measure.positive),
        *((("seen", measure.seen),) if isinstance(measure, WindowMeasure) else ()),
    )
}
"""What a contact may tell of a measure, in the order of the bits."""


def _told(measure: WindowMeasure | PresentMeasure, part: str) -> str:
    """Whether any contact of the day told this."""
    return f"(answers & {1 << list(_PARTS).index((measure.name, part))} > 0)"


def _within(milestone: Milestone) -> str:
    return f"day between {milestone.opens} and {milestone.closes}"


def _any_contact(milestone: Milestone) -> str:
    return f"any_contact_{milestone.name}"
