"""Surgeons compared, for the director: only by a frozen case-mix model, so that quarters are measured by one rule."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date

from pipelines import Figure
from pipelines.comparison.figures import graft_trend_figures, own_figures
from pipelines.comparison.graft_trend import GraftTrend
from pipelines.comparison.measures import EXPECTED, OBSERVED_TO_EXPECTED
from pipelines.comparison.practice import compare_practice
from pipelines.comparison.results import MeasureComparison, SurgeonResult
from pipelines.comparison.storing import FrozenModel, list_models
from pipelines.comparison.surveillance import Trend
from registry import Registry

from ._quarter import Quarter


@dataclass(frozen=True)
class Alarm:
    """A running sum that reached its limit in the quarter. on: the day of the session at which it did."""

    surgeon: str
    outcome: str
    on: date


@dataclass(frozen=True)
class ComparedSurgeons:
    """Results of three years up to the quarter's end. alarms: of the quarter alone; reached: the running sums that
    gave them. grafts: of the years of the trend, for surgeons with enough counted sessions."""

    model: FrozenModel
    first_on: date
    last_on: date
    comparisons: tuple[MeasureComparison, ...]
    alarms: tuple[Alarm, ...]
    reached: tuple[Trend, ...]
    grafts: tuple[GraftTrend, ...]
    figures: tuple[Figure, ...]

    @property
    def flagged(self) -> tuple[tuple[MeasureComparison, SurgeonResult], ...]:
        """Results beyond a limit on the unfavourable side, in the order of outcomes and codes, never by result."""
        return tuple(
            (comparison, result)
            for comparison in self.comparisons
            for result in comparison.results.values()
            if result.flag
        )


def compared_surgeons(registry: Registry, quarter: Quarter) -> ComparedSurgeons | None:
    """All surgeons by the last frozen model; None where no model is frozen or there is nobody to compare with."""
    if not list_models(registry) or len(registry.settings.surgeons) < 2:
        return None
    practice = compare_practice(registry, quarter.last_on)
    assert practice.frozen is not None
    comparisons = tuple(practice.comparisons.values())
    reached = [
        told
        for surgeon in registry.settings.surgeons
        for told in practice.trends(surgeon)
        if any(quarter.first_on <= day <= quarter.last_on for day in told.alarms)
    ]
    alarms = [
        Alarm(told.surgeon, told.measure.label, day)
        for told in reached
        for day in told.alarms
        if quarter.first_on <= day <= quarter.last_on
    ]
    floor = registry.settings.floor_denominator
    grafts = [
        told
        for surgeon in registry.settings.surgeons
        if (told := practice.graft_trend(surgeon)) is not None and len(told.days) >= floor
    ]
    return ComparedSurgeons(
        practice.frozen,
        practice.first_on,
        practice.last_on,
        comparisons,
        tuple(alarms),
        tuple(reached),
        tuple(grafts),
        (
            *_figures(comparisons, floor),
            *(
                replace(figure, group={**figure.group, "surgeon_code": told.surgeon})
                for told in grafts
                for figure in graft_trend_figures(told)
            ),
        ),
    )


def _figures(comparisons: tuple[MeasureComparison, ...], floor: int) -> Iterator[Figure]:
    for comparison in comparisons:
        for code in comparison.results:
            for figure in own_figures(comparison, code, floor):
                if figure.measure in (OBSERVED_TO_EXPECTED, EXPECTED):
                    yield replace(figure, group={**figure.group, "surgeon_code": code})
