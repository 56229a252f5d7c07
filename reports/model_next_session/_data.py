"""What the page shows, gathered before it is laid out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from pipelines.figure import Figure
from pipelines.next_session_model import NextSessionModel
from pipelines.next_session_model.measures import COMPLETE, HAZARD_RATIO, IMPUTED
from registry import Settings


@dataclass(frozen=True)
class ModelData:
    """The model with what it rests on. recurrent: whether forms that use every session were asked for."""

    model: NextSessionModel
    settings: Settings
    meta: Mapping[str, Any]
    data_date: date | None
    recurrent: bool

    @property
    def headline(self) -> str:
        """The analysis told first: every patient with gaps filled in, or complete cases where nothing is missing."""
        return IMPUTED if self.model.sets else COMPLETE

    def ratios(self, analysis: str) -> list[Figure]:
        """The ratios of one analysis, in the order of the table."""
        return self.model.of(HAZARD_RATIO, analysis=analysis)

    def matching(self, analysis: str, figure: Figure) -> Figure | None:
        """The same ratio from another analysis."""
        key = (figure.group["covariate"], figure.group["level"])
        return next(
            (other for other in self.ratios(analysis) if (other.group["covariate"], other.group["level"]) == key), None
        )
