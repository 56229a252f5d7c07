"""What a page shows, gathered before it is laid out; and in what the three models differ."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from pipelines.complication_model import SessionModel
from pipelines.complication_model.covariates import ZONES
from pipelines.complication_model.measures import (
    ODDS_RATIO,
    RISK_DIFFERENCE,
    SATISFACTION_DIFFERENCE,
    SATISFACTION_MEAN,
    SATISFACTION_ODDS_RATIO,
    SCAR_DIFFERENCE,
    SCAR_MEAN,
    SHARE,
)
from pipelines.complication_model.outcomes import Outcome
from pipelines.figure import Figure
from pipelines.next_session_model.measures import COMPLETE, IMPUTED
from registry import Settings

from ..charts.ratio_plot import RatioRow, wording_of_ratio
from ._words import covariate_label, difference_words, level_label, lowered

COMMON = 0.05
"""A complication of a larger share of sessions is told per 100, a rarer one per 1,000."""


@dataclass(frozen=True)
class Measure:
    """An effect that a model gives.

    head: its name. column: in short, over a column. times, decimals: of how many a difference is told.
    """

    name: str
    head: str
    column: str
    ratio: bool
    times: int = 1
    decimals: int = 2

    def words(self, figure: Figure) -> str:
        """The estimate with its limits."""
        return wording_of_ratio(figure) if self.ratio else difference_words(figure, self.times, self.decimals)


@dataclass(frozen=True)
class Kind:
    """In what a page differs from the other two.

    name: in file names and commands. title: of the page. subject: what is compared. means: measure of what was seen
    by group; empty for a complication. unit: what a row of the model is. scale: of the chart.
    """

    name: str
    title: str
    subject: str
    measures: tuple[Measure, ...]
    means: str
    unit: str
    scale: str


def complication_kind(outcome: Outcome, share: float) -> Kind:
    """The page on one complication. share: of sessions with it."""
    times = 100 if share >= COMMON else 1000
    return Kind(
        "complications",
        f"With what {lowered(outcome.label)} goes",
        lowered(outcome.label),
        (
            Measure(ODDS_RATIO, "Odds ratio", "Odds ratio", ratio=True),
            Measure(
                RISK_DIFFERENCE,
                f"More or fewer per {times:,} sessions",
                f"Per {times:,}",
                ratio=False,
                times=times,
                decimals=1,
            ),
        ),
        "",
        "session",
        "Odds ratio: left of 1, rarer; right of it, more often",
    )


SCAR = Kind(
    "scar-width",
    "With what the width of a strip’s scar goes",
    "the width of the scar",
    (Measure(SCAR_DIFFERENCE, "Difference, millimetres", "Millimetres", ratio=False),),
    SCAR_MEAN,
    "session",
    "Millimetres: left of 0, narrower; right of it, wider",
)
SATISFACTION = Kind(
    "satisfaction",
    "With what satisfaction goes",
    "satisfaction",
    (
        Measure(SATISFACTION_ODDS_RATIO, "Odds ratio of a higher rating", "Odds ratio", ratio=True),
        Measure(SATISFACTION_DIFFERENCE, "Difference of the mean, points", "Points", ratio=False),
    ),
    SATISFACTION_MEAN,
    "rating",
    "Odds ratio of a higher rating: left of 1, less satisfied; right of it, more",
)


@dataclass(frozen=True)
class SessionModelData:
    """The model with what it rests on. outcome: the complication, where it is one."""

    kind: Kind
    model: SessionModel
    outcome: Outcome | None
    settings: Settings
    meta: Mapping[str, Any]
    data_date: date | None

    @property
    def main(self) -> Measure:
        """The effect that the chart shows."""
        return self.kind.measures[0]

    @property
    def analyses(self) -> list[tuple[str, str]]:
        """The analyses that there are: label and name, the one told first in front."""
        both = [("gaps filled in", IMPUTED), ("complete cases", COMPLETE)]
        return [(label, name) for label, name in both if self.effects(self.main, name)]

    @property
    def share(self) -> Figure | None:
        """The share with the complication."""
        return next(iter(self.model.of(SHARE)), None)

    def effects(self, measure: Measure, analysis: str) -> list[Figure]:
        """The effects of one analysis, in the order of the table."""
        return self.model.of(measure.name, analysis=analysis)

    def matching(self, measure: Measure, analysis: str, figure: Figure) -> Figure | None:
        """The same contrast, as another measure or analysis has it."""
        key = (figure.group["covariate"], figure.group["level"])
        return next(
            (f for f in self.effects(measure, analysis) if (f.group["covariate"], f.group["level"]) == key), None
        )


def grouped(figures: Sequence[Figure]) -> list[RatioRow]:
    """A heading a covariate, with what it is compared against, and its rows."""
    rows: list[RatioRow] = []
    last = ""
    for figure in figures:
        covariate = figure.group["covariate"]
        if covariate != last:
            against = figure.group.get("against")
            beside = (
                f", against {lowered(level_label(covariate, against))}" if against and covariate not in ZONES else ""
            )
            rows.append(RatioRow(covariate_label(covariate) + beside))
            last = covariate
        rows.append(RatioRow(level_label(covariate, figure.group["level"]), figure))
    return rows
