"""A surgeon's comparison as figures: the surgeon's own in full, peers' blinded."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from ..estimators import wilson
from ..estimators.limits import normal_quantile
from ..figure import Figure
from .blinding import Peer
from .case_mix import CaseMixModel
from .graft_trend import GraftTrend
from .measures import (
    ADJUSTED_P,
    C_STATISTIC,
    CALIBRATION_INTERCEPT,
    CALIBRATION_PREDICTED,
    CALIBRATION_SEEN,
    CALIBRATION_SLOPE,
    CASES_NEEDED,
    CHANCE_AVERAGE,
    CHANCE_DIFFERENCE,
    DIRECT_RATE,
    EXPECTED,
    GRAFTS_NOT_GROWN,
    INDIRECT_RATE,
    OBSERVED_TO_EXPECTED,
    OVERDISPERSION,
    PEER,
    RAW_SHARE,
    RELIABILITY,
    RUN_AVERAGE,
    RUN_DIFFERENCE,
    RUN_SUM,
    SHRUNKEN,
)
from .results import MeasureComparison, SurgeonResult, Told
from .surveillance import Trend

FEWEST_EVENTS = 5
"""A group of the calibration with fewer events is greyed (common practice, no source)."""


def own_figures(comparison: MeasureComparison, surgeon: str, floor: int, level: float = 0.95) -> Iterator[Figure]:
    """All that a comparison gives of one surgeon on one measure; without numbers where there is nothing to compare."""
    result = comparison.results[surgeon]
    few = ("too_few",) if result.n < floor else ()
    shared = _shared(comparison, result, level)
    yield _raw(comparison, result, level, few)
    flags = (*few, result.flag) if result.flag else few
    yield Figure(OBSERVED_TO_EXPECTED, **shared, **_numbers(result.ratio), flags=flags)
    yield Figure(EXPECTED, **shared, method="case_mix_model", estimate=result.expected, flags=few)
    for measure, told in (
        (INDIRECT_RATE, result.indirect),
        (DIRECT_RATE, result.direct),
        (SHRUNKEN, result.shrunken),
    ):
        yield Figure(measure, **shared, **_numbers(told), flags=few)
    needed = result.cases_needed
    for measure, value, method in (
        (RELIABILITY, result.reliability, "signal_over_signal_and_noise"),
        (CASES_NEEDED, None if needed is None else float(needed), "spearman_brown_0.7"),
        (ADJUSTED_P, result.p_adjusted, "benjamini_hochberg"),
        (OVERDISPERSION, comparison.dispersion.phi if comparison.dispersion else None, "winsorised"),
    ):
        yield Figure(measure, **shared, method=method, estimate=value, flags=few)


def peer_figures(comparison: MeasureComparison, peers: Sequence[Peer], level: float = 0.95) -> Iterator[Figure]:
    """Peers under their labels. n is the middle of a band of cases, not a count; nothing else of them is told."""
    for peer in peers:
        yield Figure(
            PEER,
            n=peer.volume,
            n_unit="sessions, middle of a band",
            method="rounded_interval_of_the_band",
            group={"outcome": comparison.measure.name, "peer": peer.label, "cases": peer.band},
            estimate=peer.estimate,
            lower=min(peer.lower, peer.estimate),
            upper=max(peer.upper, peer.estimate),
            level=level,
        )


def trend_figures(told: Trend, level: float = 0.95) -> Iterator[Figure]:
    """Where each chart stands after the last session of each year; alarms as events of the sum."""
    lasts = {day.year: place for place, day in enumerate(told.days)}
    for year, place in lasts.items():
        group = {"outcome": told.measure.name, "year": str(year)}
        alarms = sum(day.year == year for day in told.alarms)
        shared: dict[str, Any] = {"n": place + 1, "n_unit": "sessions", "group": group, "level": level}
        yield Figure(
            RUN_SUM,
            **shared,
            method="risk_adjusted_cusum",
            estimate=float(told.path.values[place]),
            events=alarms,
            flags=("alert",) if alarms else (),
        )
        # observed less expected: above 0 is more events than expected
        yield Figure(
            RUN_DIFFERENCE,
            **shared,
            method="poisson_binomial",
            estimate=-float(told.difference.values[place]),
        )
        yield Figure(
            RUN_AVERAGE, **shared, method="exponentially_weighted", estimate=float(told.average.observed[place])
        )


def graft_trend_figures(told: GraftTrend) -> Iterator[Figure]:
    """Where the charts of grafts stand after the last session of each year: observed less expected, with the limits of
    chance around 0, and the weighted average, with those around the expected share."""
    for year, place in {day.year: place for place, day in enumerate(told.days)}.items():
        shared: dict[str, Any] = {"n": place + 1, "n_unit": "sessions"}
        shared |= {"group": {"outcome": GRAFTS_NOT_GROWN, "year": str(year)}}
        difference, average = told.difference, told.average
        yield Figure(
            RUN_DIFFERENCE,
            **shared,
            method="quasi_binomial_spread",
            estimate=-float(difference.values[place]),
        )
        yield Figure(
            CHANCE_DIFFERENCE, **shared, method="quasi_binomial_spread", level=difference.level,
            estimate=float(difference.upper[place]),
        )  # fmt: skip
        yield Figure(RUN_AVERAGE, **shared, method="exponentially_weighted", estimate=float(average.observed[place]))
        yield Figure(
            CHANCE_AVERAGE, **shared, method="quasi_binomial_spread", level=average.level,
            estimate=float(average.expected[place]),
            lower=float(average.lower[place]), upper=float(average.upper[place]),
        )  # fmt: skip


def model_figures(model: CaseMixModel, level: float = 0.95) -> Iterator[Figure]:
    """How well a case-mix model foretells patients left out of the fit, and by groups of like expected share."""
    checks, whole = model.checks, model.whole
    if checks is None or whole is None:
        return
    shared: dict[str, Any] = {"n": whole.n, "n_unit": model_unit(model)}
    shared |= {
        "n_clusters": whole.patients,
        "events": whole.events,
        "group": {"outcome": model.measure},
        "level": level,
        "method": f"{whole.method}_ten_parts",
    }
    yield Figure(C_STATISTIC, **shared, estimate=checks.c_statistic)
    reach = normal_quantile(level) * (checks.slope_error or 0.0)
    yield Figure(
        CALIBRATION_SLOPE,
        **shared,
        estimate=checks.slope,
        lower=None if checks.slope is None else checks.slope - reach,
        upper=None if checks.slope is None else checks.slope + reach,
    )
    yield Figure(CALIBRATION_INTERCEPT, **shared, estimate=checks.intercept)
    for pair in calibration_pairs(model):
        yield from pair


def model_unit(model: CaseMixModel) -> str:
    """What a model counts."""
    units = {"quasi_binomial": "grafts", "cox": "patients"}
    return units.get(model.whole.method, "sessions") if model.whole else "sessions"


def calibration_pairs(model: CaseMixModel) -> list[tuple[Figure, Figure]]:
    """Predicted and seen share of each group of like sessions; of grafts without limits.

    Of the next session: events over patients, each over the time that they were followed.
    """
    pairs, unit = [], model_unit(model)
    for number, one in enumerate(model.checks.groups if model.checks else (), start=1):
        group = {"outcome": model.measure, "tenth": str(number)}
        share = wilson(one.observed, one.n) if unit != "grafts" else None
        pairs.append(
            (
                Figure(CALIBRATION_PREDICTED, one.n, unit, "case_mix_model", group=group, estimate=one.predicted),
                Figure(
                    CALIBRATION_SEEN,
                    one.n,
                    unit,
                    "wilson" if share else "sum_over_sum",
                    group=group,
                    estimate=one.observed / one.n,
                    lower=share.lower if share else None,
                    upper=share.upper if share else None,
                    n_clusters=one.patients,
                    events=one.observed,
                    flags=("too_few",) if one.observed < FEWEST_EVENTS else (),
                ),
            )
        )
    return pairs


def _shared(comparison: MeasureComparison, result: SurgeonResult, level: float) -> dict[str, Any]:
    return {
        "n": result.n,
        "n_unit": "sessions",
        "n_clusters": result.patients,
        "group": {"outcome": comparison.measure.name},
        "level": level,
        "events": result.observed,
        "at_risk": result.size,
        "not_counted": dict(result.not_counted),
    }


def _numbers(told: Told | None) -> dict[str, Any]:
    if told is None:
        return {"method": "none"}
    return {
        "method": told.method,
        "estimate": told.estimate,
        "lower": min(told.lower, told.estimate),
        "upper": max(told.upper, told.estimate),
    }


def _raw(comparison: MeasureComparison, result: SurgeonResult, level: float, few: tuple[str, ...]) -> Figure:
    """The share as seen, before any adjustment; of grafts without limits, which the ratio has."""
    shared = _shared(comparison, result, level)
    if not result.size:
        return Figure(RAW_SHARE, **shared, method="none", flags=few)
    if comparison.measure.model == "grafts":
        return Figure(
            RAW_SHARE, **shared, method="sum_over_sum", estimate=max(result.observed, 0) / result.size, flags=few
        )
    share = wilson(result.observed, result.size, level)
    return Figure(
        RAW_SHARE,
        **shared,
        method="wilson",
        estimate=share.estimate,
        lower=share.lower,
        upper=share.upper,
        flags=few,
    )
