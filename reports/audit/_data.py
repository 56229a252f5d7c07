"""All that an audit shows, gathered before anything is laid out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any

from pipelines import Figure
from pipelines.agreed_actions import AgreedAction
from pipelines.audit_changes import AuditChanges
from pipelines.comparison.reviews import OutlierReview
from pipelines.expectations import Judgement
from pipelines.follow_up import DueCounts
from pipelines.intake_summary import HeldBackCount, IntakeCount
from pipelines.quarter_activity import Activity
from pipelines.recent_outcomes import RecentOutcome
from pipelines.serious_complications import SeriousComplications
from registry import Settings

from .. import wording
from ._comments import Comments
from ._comparison import ComparedSurgeons
from ._quarter import Quarter

YEARS = (0, 1, 2, 3, 5, 10)
"""Where curves are marked and tables have their columns."""


@dataclass(frozen=True)
class Told:
    """What patients are told, held against the records at the quarter's end and a year before.

    own: whether the statements are the practice's; else they are the starter list. before_on: the earlier day.
    """

    judged: tuple[Judgement, ...]
    before: tuple[Judgement, ...]
    before_on: date
    own: bool


@dataclass(frozen=True)
class AuditData:
    """Figures with what they rest on.

    here, anywhere: the time to the next session, overall and by age. activity, recent, process: of the quarter, the
    one before and the same a year before, in this order. on: the day that deadlines are held against.
    follow_up: Clark's index, overall and by site.
    """

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
    ratings: tuple[Figure, ...]
    intake: tuple[Figure, ...]
    intakes: tuple[IntakeCount, ...]
    held_back: tuple[HeldBackCount, ...]
    complete_to: Mapping[str, date | None]
    activity: tuple[Activity, ...]
    recent: tuple[RecentOutcome, ...]
    contacts: tuple[Figure, ...]
    contacts_in_quarter: tuple[Figure, ...]
    contacts_by_site: tuple[Figure, ...]
    follow_up: tuple[Figure, ...]
    due: DueCounts
    process: tuple[tuple[Figure, ...], ...]
    missing: tuple[Figure, ...]
    serious: tuple[SeriousComplications, ...]
    told: Told
    actions: tuple[AgreedAction, ...]
    reviews: tuple[OutlierReview, ...]
    on: date
    compared: ComparedSurgeons | None
    comments: Comments = field(default_factory=Comments)
    changes: AuditChanges | None = None

    @property
    def spans(self) -> tuple[str, ...]:
        """Names of the quarter, the one before and the same a year before."""
        return tuple(activity.span.name for activity in self.activity)

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
            *self.ratings,
            *self.intake,
            *(
                replace(figure, group={**figure.group, "span": name})
                for outcome in self.recent
                for name, figure in zip(self.spans, outcome.figures, strict=True)
            ),
            *self.contacts,
            *(replace(figure, group={**figure.group, "span": self.spans[0]}) for figure in self.contacts_in_quarter),
            *self.contacts_by_site,
            *self.follow_up,
            *(
                replace(figure, group={**figure.group, "span": name})
                for name, figures in zip(self.spans, self.process, strict=True)
                for figure in figures
            ),
            *self.missing,
            *(self.compared.figures if self.compared else ()),
            *(
                replace(found.figure, group={**found.figure.group, "statement": found.statement.name})
                for found in self.told.judged
            ),
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
