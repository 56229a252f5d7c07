"""What the page shows, gathered before it is laid out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from pipelines.figure import Figure
from pipelines.graft_model import GraftModel
from pipelines.graft_model.measures import AREAS_AT, COMPLETE, IMPUTED, ODDS_RATIO, YIELD_AT
from registry import Settings


@dataclass(frozen=True)
class GraftModelData:
    """The model with what it rests on.

    survival: of grafts. patients: yields of patients. selection: who was counted.
    """

    model: GraftModel
    survival: Figure
    patients: tuple[Figure, ...]
    selection: tuple[Figure, ...]
    settings: Settings
    meta: Mapping[str, Any]

    @property
    def headline(self) -> str:
        """The analysis told first: all areas with gaps filled in, or as they are where nothing is missing."""
        return IMPUTED if self.model.sets else COMPLETE

    def ratios(self, analysis: str) -> list[Figure]:
        """The ratios of one analysis, in the order of the table."""
        return self.model.of(ODDS_RATIO, analysis=analysis)

    def curve(self, covariate: str) -> list[tuple[float, Figure]]:
        """Value and yield along a covariate."""
        return [(float(figure.group["level"]), figure) for figure in self.model.of(YIELD_AT, covariate=covariate)]

    def areas(self, covariate: str) -> list[tuple[float, int]]:
        """Value and how many areas have it."""
        return [(float(figure.group["level"]), figure.n) for figure in self.model.of(AREAS_AT, covariate=covariate)]
