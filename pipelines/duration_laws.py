"""Laws with a formula for how long something lasts, to be laid beside what visits tell without one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

import polars as pl

from registry.store import Registry

from .duration_intervals import DurationRequest, Group, each_session, group_intervals, kept_sessions
from .duration_measures import duration_measure
from .estimators import ParametricFit, parametric_fits, parametric_presence
from .estimators.errors import CountsError
from .figure import Figure
from .groups import EVERYBODY, Chosen, all_groups, chosen_fields
from .measures import LAW_AIC

LAWS: Mapping[str, str] = {"log_normal": "log-normal", "weibull": "Weibull", "log_logistic": "log-logistic"}
"""The laws, and how to say them."""


def duration_laws(
    registry: Registry,
    *,
    of: str,
    by: Sequence[str] = (),
    at_days: Sequence[int] | None = None,
    chosen: Chosen = EVERYBODY,
    as_of: date | None = None,
    level: float = 0.95,
) -> tuple[Figure, ...]:
    """Log-normal, Weibull and log-logistic laws of each group, compared by AIC, and the shares they tell.

    They force every duration to end some day, so read them beside `durations`, never past the last look; a law that
    fits best of three may still fit badly.
    Arguments and rules: as `durations`. Returns figures by group, then law, the lowest AIC first: `duration_law_aic`,
    by how much its AIC is above the lowest of the group (0 for the best); then by day `_by_law`, the share in whom it
    is still there. beyond_follow_up: past the last look, nothing is told. Groups in which no law can be fitted (nobody
    seen to be free of it, or all in one stretch of days) have one figure without an estimate.
    Raises: as `durations`. Source: see `parametric_fits`.
    """
    measure = duration_measure(of)
    days = tuple(measure.at_days if at_days is None else at_days)
    request = DurationRequest(registry, measure, chosen_fields(by, registry.settings), chosen, as_of)
    with kept_sessions(request):
        intervals = group_intervals(request)
    figures: list[Figure] = []
    for group in all_groups(request.fields, intervals, chosen):
        figures += _of_group(request, group, intervals.get(group), days, level)
    return tuple(figures)


def _of_group(
    request: DurationRequest, group: Group, table: pl.DataFrame | None, days: Sequence[int], level: float
) -> list[Figure]:
    named = request.named(group)
    fits = _fits(table)
    if table is None or not fits:
        return [Figure(LAW_AIC, 0, "sessions", "maximum_likelihood", group=named, flags=("too_few",))]
    sessions = int((table["n"] * table["sessions"]).sum())
    last_look = max(table["left_day"].to_list() + table["right_day"].drop_nulls().to_list())
    few = ("too_few",) if sessions < request.registry.settings.floor_denominator else ()
    figures = []
    for fit in fits:
        shared = {**named, "law": LAWS[fit.distribution]}
        figures.append(
            Figure(
                LAW_AIC,
                sessions,
                "sessions",
                "maximum_likelihood",
                group=shared,
                estimate=fit.aic - fits[0].aic,
                flags=few,
            )
        )
        for day, share in zip(days, parametric_presence(fit, days, level), strict=True):
            seen = day <= last_look
            figures.append(
                Figure(
                    request.measure.by_law,
                    sessions,
                    "sessions",
                    fit.distribution,
                    group=shared,
                    at=day,
                    estimate=share.estimate if seen else None,
                    lower=share.lower if seen else None,
                    upper=share.upper if seen else None,
                    level=level,
                    flags=few if seen else ("beyond_follow_up",),
                )
            )
    return figures


def _fits(table: pl.DataFrame | None) -> tuple[ParametricFit, ...]:
    if table is None:
        return ()
    try:
        return parametric_fits(each_session(table))
    except CountsError:
        return ()
