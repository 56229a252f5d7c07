"""Everything that the pages of all surgeons rest on, computed once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

import polars as pl

from registry.store import Registry

from ..estimators.run_length import FalseAlarmBudget
from .case_mix import CaseMixModel, fit_case_mix
from .compare import PERIOD_YEARS, compare_surgeons, with_false_discoveries_controlled
from .graft_trend import GraftTrend, graft_trend
from .measures import COMPARED, GRAFTS_NOT_GROWN
from .results import MeasureComparison
from .reviews import outlier_reviews
from .sessions import compared_sessions
from .storing import FrozenModel, frozen_model, list_models, load_models, reference_period
from .surveillance import TREND_YEARS, Trend, alarm_budget, trend


@dataclass(frozen=True, eq=False)
class Practice:
    """The comparison of all surgeons up to a day.

    frozen: the model that was used; None where it was fitted afresh for this page alone. models: by measure; that of
    the next session only where it is frozen. tables: the sessions of each measure. comparisons: by measure. budget: of
    false alarms over the last year of the trend.
    """

    registry: Registry
    first_on: date
    last_on: date
    trend_from: date
    frozen: FrozenModel | None
    models: Mapping[str, CaseMixModel]
    tables: Mapping[str, pl.DataFrame]
    comparisons: Mapping[str, MeasureComparison]
    budget: FalseAlarmBudget | None

    def trends(self, surgeon: str) -> list[Trend]:
        """The charts of a surgeon, by measure; the sum starts afresh where a review was closed."""
        closed = outlier_reviews(self.registry, surgeon=surgeon)
        found = []
        for name, measure in COMPARED.items():
            restarts = [one.closed_at.date() for one in closed if one.measure == name and one.closed_at is not None]
            one = trend(
                self.tables[name],
                measure,
                self.models[name],
                surgeon,
                self.trend_from,
                self.last_on,
                floor=self.registry.settings.floor_denominator,
                restarts=restarts,
            )
            if one is not None:
                found.append(one)
        return found

    def graft_trend(self, surgeon: str) -> GraftTrend | None:
        """Grafts of a surgeon that did not grow, over time."""
        return graft_trend(
            self.tables[GRAFTS_NOT_GROWN],
            self.models[GRAFTS_NOT_GROWN],
            surgeon,
            self.trend_from,
            self.last_on,
            floor=self.registry.settings.floor_denominator,
        )


def compare_practice(registry: Registry, last_on: date, *, model_id: int | None = None) -> Practice:
    """Compare all surgeons over the three years up to a day; what happened later is ignored.

    model_id: of a frozen case-mix model; the last frozen one if left out, and where none is frozen one fitted to the
    five years up to the day.
    Raises: GraftledgerError where there is no such model.
    """
    settings = registry.settings
    tables = {name: compared_sessions(registry, measure, as_of=last_on) for name, measure in COMPARED.items()}
    known = list_models(registry)
    frozen = frozen_model(registry, model_id) if model_id is not None else known[-1] if known else None
    models = load_models(registry, frozen.model_id) if frozen else {}
    first_ref, last_ref = reference_period(last_on)
    for name, measure in COMPARED.items():
        if name not in models:  # none is frozen, or the measure came later
            models[name] = fit_case_mix(tables[name], measure, first_ref, last_ref, floor=settings.floor_denominator)
    first_on, _ = reference_period(last_on, PERIOD_YEARS)
    compared = with_false_discoveries_controlled(
        [
            compare_surgeons(
                tables[name],
                measure,
                models[name],
                settings.surgeons,
                first_on,
                last_on,
                floor=settings.floor_denominator,
            )
            for name, measure in COMPARED.items()
        ]
    )
    year_from, _ = reference_period(last_on, 1)
    return Practice(
        registry,
        first_on,
        last_on,
        reference_period(last_on, TREND_YEARS)[0],
        frozen,
        models,
        tables,
        {one.measure.name: one for one in compared},
        alarm_budget(tables, COMPARED, settings.surgeons, year_from, last_on),
    )
