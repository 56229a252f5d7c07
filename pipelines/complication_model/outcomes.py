"""The complications that can be modelled, by the name that a user gives."""

from __future__ import annotations

from dataclasses import dataclass

from registry.errors import GraftledgerError, nearest
from registry.milestones import Milestone

from ..measures import PRESENT_MEASURES, WINDOW_MEASURES, PresentMeasure, WindowMeasure
from ..session_answers import Question


@dataclass(frozen=True)
class Outcome:
    """One complication of a session. milestone: where it is a state found at one, not an event in a window."""

    name: str
    measure: WindowMeasure | PresentMeasure
    milestone: Milestone | None = None

    @property
    def question(self) -> Question:
        """What is asked of each session."""
        return Question(self.measure, self.milestone)

    @property
    def label(self) -> str:
        """Its name in words.

        >>> outcome("numbness-month-6").label, outcome("infection").label
        ('Numbness at month 6', 'Infection')
        """
        return f"{self.measure.label} at {self.milestone.label}" if self.milestone else self.measure.label

    @property
    def when(self) -> str:
        """The days that it is about."""
        if self.milestone:
            return f"found at the contact nearest to {self.milestone.label}"
        assert isinstance(self.measure, WindowMeasure)
        return f"within {self.measure.window} days"


def _outcomes() -> dict[str, Outcome]:
    found = [Outcome(window.name.replace("_", "-"), window) for window in WINDOW_MEASURES]
    found += [
        Outcome(f"{present.name}-{milestone.name}".replace("_", "-"), present, milestone)
        for present in PRESENT_MEASURES
        for milestone in present.milestones
    ]
    return {one.name: one for one in found}


OUTCOMES = _outcomes()


def outcome(name: str) -> Outcome:
    """The outcome of that name.

    Raises: GraftledgerError for an unknown name, naming the nearest.
    """
    if name not in OUTCOMES:
        raise GraftledgerError(f"There is no model of '{name}'. {nearest(name, list(OUTCOMES))}")
    return OUTCOMES[name]
