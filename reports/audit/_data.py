"""All that an audit shows, gathered before anything is laid out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from pipelines import Figure
from pipelines.intake_summary import HeldBackCount, IntakeCount
from registry import Settings

from .. import wording
from ._quarter import Quarter

YEARS = (0, 1, 2, 3, 5, 10)
"""Where curves are marked and tables have their columns."""


@dataclass(frozen=True)
class AuditData:
    """Figures with what they rest on. `here` and `anywhere` hold the time to the next session, overall and by age."""

    settings: Settings
    quarter: Quarter
    data_date: date
    meta: Mapping[str, Any]
    summary: tuple[Figure, ...]
    here: tuple[Figure, ...]
    anywhere: tuple[Figure, ...]
    complications: tuple[Figure, ...]
    complications_by_site: tuple[Figure, ...]
    survival: tuple[Figure, ...]
    survival_by_site: tuple[Figure, ...]
    survival_by_technique: tuple[Figure, ...]
    survival_capped: tuple[Figure, ...]
    survival_around: tuple[Figure, ...]
    growth: tuple[Figure, ...]
    intake: tuple[Figure, ...]
    intakes: tuple[IntakeCount, ...]
    held_back: tuple[HeldBackCount, ...]
    complete_to: Mapping[str, date | None]

    @property
    def figures(self) -> tuple[Figure, ...]:
        """Every figure that the audit shows."""
        return (
            *self.summary,
            *self.here,
            *self.anywhere,
            *self.complications,
            *self.complications_by_site,
            *self.survival,
            *self.survival_by_site,
            *self.survival_by_technique,
            *self.survival_capped,
            *self.survival_around,
            *self.growth,
            *self.intake,
        )

    @property
    def complete_words(self) -> str:
        """Up to when the sites declare their records complete."""
        days = sorted({day for day in self.complete_to.values() if day is not None})
        undeclared = sum(day is None for day in self.complete_to.values())
        text = " to ".join(wording.date_words(day) for day in dict.fromkeys((days[0], days[-1]))) if days else ""
        if len(days) > 1:
            text += ", by site"
        return text + (f"; {wording.counted(undeclared, 'site')} not declared" if undeclared else "")
