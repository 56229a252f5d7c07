"""Each surgeon's observed outcomes beside those expected of the same patients, with what chance alone would do."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Literal

import numpy as np
import polars as pl

from ..estimators.errors import CountsError
from ..estimators.funnel import ALERT_LEVEL, PRIORITY_LEVEL, Flag, Position, position_of_ratio
from ..estimators.limits import normal_quantile
from ..estimators.over_dispersion import OverDispersion, over_dispersion
from ..estimators.shrinkage import (
    Shrinkage,
    ShrunkenEstimate,
    cases_needed_for_reliability,
    shrunken_means,
    shrunken_ratios,
)
from ..estimators.standardised import (
    directly_standardised_rate,
    standardised_ratio_of_risks,
)
from ..regression.spells import Floats
from .case_mix import CaseMixModel, predicted
from .measures import ComparedMeasure
from .sessions import counted, reasons, within

PERIOD_YEARS = 3
"""Results of so many years up to the day asked for are compared (common practice, no source)."""
LEAST_POOLED = 2
"""Fewer other surgeons with enough patients in the reference period, and nothing is expected: it would be one person's
result."""
STRATA = 3
"""Thirds of sessions by expected share, for direct standardisation."""

WhyNot = Literal["no_sessions", "none_assessed", "too_few", "no_reference", "nothing_expected"]


@dataclass(frozen=True)
class Told:
    """A number with its limits, and how they were found."""

    estimate: float
    lower: float
    upper: float
    method: str

    def times(self, factor: float, most: float, method: str) -> Told:
        """The number in another unit, at most so much."""
        estimate, lower, upper = (min(value * factor, most) for value in (self.estimate, self.lower, self.upper))
        return Told(estimate, lower, upper, method)


@dataclass(frozen=True, eq=False)
class SurgeonResult:
    """One surgeon on one measure.

    n, patients: sessions assessed, and whose. observed of size: events of sessions, or grafts that did not grow of
    those placed. expected: by the model without this surgeon. risks: (n,) expected share of each session. variance: of
    observed by chance. ratio: observed over expected. p_adjusted: of the funnel, over all measures of the surgeon.
    flag: after control of false discoveries. why_not: why there is no comparison, or none to rely on.
    """

    surgeon: str
    n: int
    patients: int
    observed: int
    size: int
    not_counted: Mapping[str, int]
    expected: float | None = None
    risks: Floats = field(default_factory=lambda: np.zeros(0))
    variance: float = 0.0
    ratio: Told | None = None
    indirect: Told | None = None
    direct: Told | None = None
    shrunken: Told | None = None
    reliability: float | None = None
    cases_needed: int | None = None
    position: Position | None = None
    p_adjusted: float | None = None
    flag: Flag = ""
    why_not: WhyNot | None = None

    @property
    def std_error(self) -> float:
        """Standard error of the ratio, by chance, at 1."""
        assert self.expected
        return math.sqrt(self.variance) / self.expected


@dataclass(frozen=True, eq=False)
class MeasureComparison:
    """All surgeons on one measure over one period.

    share: of all surgeons together. assessed: share of their sessions of which the outcome is told.
    """

    measure: ComparedMeasure
    model: CaseMixModel
    first_on: date
    last_on: date
    results: Mapping[str, SurgeonResult]
    dispersion: OverDispersion | None
    shrinkage: Shrinkage | None
    share: float | None
    assessed: float

    def enough(self, floor: int) -> tuple[str, ...]:
        """Surgeons with enough cases to be compared."""
        return tuple(code for code, result in self.results.items() if result.ratio is not None and result.n >= floor)


def compare_surgeons(
    table: pl.DataFrame,
    measure: ComparedMeasure,
    model: CaseMixModel,
    surgeons: Sequence[str],
    first_on: date,
    last_on: date,
    *,
    floor: int,
    level: float = 0.95,
) -> MeasureComparison:
    """Compare every surgeon with what the others' case-mix model expects of the same patients.

    Shares: observed over the sum of expected shares, mid-P limits by the law of the very cases; funnel by the same law.
    Grafts: those that did not grow over those expected not to, normal limits with the spread between patients of all
    surgeons together. Limits of the funnel are wider where surgeons differ beyond chance (additive, winsorised).
    Direct standardisation over thirds by expected share. Sessions of one patient count as independent.
    Assumes: what was not recorded of patients is alike between surgeons; those assessed are like those not. Misleads
    where a surgeon records, or follows up, otherwise than the others: look at not_counted first. A result of an
    individual is a prompt for review, never a verdict.
    table: of `compared_sessions`. surgeons: whom to judge; all stand in the result. floor: fewest sessions to rely on.
    Source: see the estimators.
    """
    period = within(table, first_on, last_on)
    rows = counted(period)
    share = float(rows["observed"].sum()) / float(rows["weight"].sum()) if len(rows) else None
    edges = _edges(rows, model)
    results = {
        code: _result(period.filter(pl.col("surgeon_code") == code), code, measure, model, rows, edges, floor, level)
        for code in surgeons
    }
    if measure.model == "grafts":
        results = _with_spread(results, rows, model, level)
    judged = [one for one in results.values() if one.ratio is not None]
    sound = [one for one in judged if one.n >= floor]
    dispersion = _dispersion(sound)
    shrinkage = _shrinkage(judged, measure, level)
    drawn = dict(zip((one.surgeon for one in judged), shrinkage.estimates, strict=True)) if shrinkage else {}
    for one in judged:
        results[one.surgeon] = replace(
            one,
            indirect=_indirect(one, share),
            shrunken=_told(drawn.get(one.surgeon), measure),
            reliability=drawn[one.surgeon].reliability if one.surgeon in drawn else None,
            cases_needed=_cases_needed(one, shrinkage, measure),
            position=_position(one, measure, dispersion) if one.n >= floor else None,
            why_not=None if one.n >= floor else "too_few",
        )
    return MeasureComparison(
        measure, model, first_on, last_on, results, dispersion, shrinkage, share, len(rows) / max(len(period), 1)
    )


def with_false_discoveries_controlled(comparisons: Sequence[MeasureComparison]) -> tuple[MeasureComparison, ...]:
    """Flags after control of false discoveries over a surgeon's measures (Benjamini & Hochberg 1995, J R Stat Soc B
    57:289-300): an alert where the adjusted one-sided p is at most 0.025, a priority review at most 0.001, which are
    the tails of the 95% and 99.8% limits."""
    from scipy.stats import false_discovery_control

    found = [dict(one.results) for one in comparisons]
    for code in {code for results in found for code in results}:
        told = [
            (results, position)
            for results in found
            if code in results and (position := results[code].position) is not None
        ]
        adjusted = false_discovery_control([position.p for _, position in told]) if told else ()
        for (results, position), p in zip(told, adjusted, strict=True):
            results[code] = replace(results[code], p_adjusted=float(p), flag=_flag(position, float(p)))
    return tuple(replace(one, results=results) for one, results in zip(comparisons, found, strict=True))


def _flag(position: Position, p: float) -> Flag:
    if position.flag == "priority_review" and p <= (1 - PRIORITY_LEVEL) / 2:
        return "priority_review"
    return "alert" if position.flag and p <= (1 - ALERT_LEVEL) / 2 else ""


def _result(
    own: pl.DataFrame,
    code: str,
    measure: ComparedMeasure,
    model: CaseMixModel,
    everybody: pl.DataFrame,
    edges: Floats,
    floor: int,
    level: float,
) -> SurgeonResult:
    rows = counted(own)
    found = SurgeonResult(
        code,
        len(rows),
        rows["patient_key"].n_unique(),
        int(rows["observed"].sum()),
        int(rows["weight"].sum()),
        reasons(own),
    )
    if rows.is_empty():
        return replace(found, why_not="none_assessed" if len(own) else "no_sessions")
    risks = model.expected(rows, code)
    if risks is None or model.others(code, floor) < LEAST_POOLED:
        return replace(found, why_not="no_reference")
    weight = np.asarray(rows["weight"].to_numpy(), dtype=float)
    expected = float(risks @ weight)
    if expected <= 0:
        return replace(found, why_not="nothing_expected")
    found = replace(found, expected=expected, risks=risks, variance=float(weight @ (risks * (1 - risks))))
    if measure.model == "grafts":
        return found
    try:
        ratio = standardised_ratio_of_risks(found.observed, risks, level, mid_p=True)
    except CountsError:  # all risks 0 or 1
        return replace(found, why_not="nothing_expected")
    told = Told(ratio.ratio, ratio.lower, ratio.upper, ratio.method)
    return replace(found, ratio=told, direct=_direct(rows, everybody, model, edges, level))


def _edges(rows: pl.DataFrame, model: CaseMixModel) -> Floats:
    """Where thirds of all sessions by expected share part."""
    if model.whole is None or rows.is_empty():
        return np.zeros(0)
    shares = predicted(model.whole, rows, model.factors)
    return np.unique(np.quantile(shares, np.arange(1, STRATA) / STRATA))


def _direct(
    own: pl.DataFrame, everybody: pl.DataFrame, model: CaseMixModel, edges: Floats, level: float
) -> Told | None:
    """The share if the surgeon's patients were mixed as everybody's; None where a third has none of them."""
    if model.whole is None:
        return None
    places = [
        np.searchsorted(edges, predicted(model.whole, rows, model.factors), side="left") for rows in (own, everybody)
    ]
    size, weights = (np.bincount(place, minlength=len(edges) + 1).astype(float) for place in places)
    events = np.bincount(places[0], own["observed"].to_numpy(), len(edges) + 1).astype(int)
    try:
        rate = directly_standardised_rate(events, size, weights, level)
    except CountsError:
        return None
    return Told(rate.rate, rate.lower, min(rate.upper, 1.0), "direct_by_thirds")


def _with_spread(
    results: Mapping[str, SurgeonResult], rows: pl.DataFrame, model: CaseMixModel, level: float
) -> dict[str, SurgeonResult]:
    """Ratios of grafts, whose spread by chance is that between patients, of all surgeons together."""
    z = normal_quantile(level)
    residual_squares = chance = 0.0
    for code, one in results.items():
        if one.expected is None:
            continue
        own = rows.filter(pl.col("surgeon_code") == code)
        difference = own["observed"].to_numpy() - one.risks * own["weight"].to_numpy()
        _, place = np.unique(own["patient_key"].to_numpy().astype(str), return_inverse=True)
        # about the surgeon's own mean, so that a difference between surgeons is not taken for spread
        by_patient, size = np.bincount(place, difference), np.bincount(place, own["weight"].to_numpy())
        residual = by_patient - size * difference.sum() / size.sum()
        residual_squares += float(residual @ residual)
        chance += one.variance * (len(size) - 1) / len(size)
    spread = max(residual_squares / chance, 1.0) if chance > 0 else 1.0
    found = dict(results)
    for code, one in results.items():
        if one.expected is None:
            continue
        wide = replace(one, variance=one.variance * spread)
        ratio, reach = max(one.observed, 0) / one.expected, z * wide.std_error
        found[code] = replace(wide, ratio=Told(ratio, max(ratio - reach, 0.0), ratio + reach, "normal_by_patient"))
    return found


def _dispersion(sound: Sequence[SurgeonResult]) -> OverDispersion | None:
    told = [one for one in sound if one.variance > 0 and one.ratio is not None]
    if not told:
        return None
    return over_dispersion([one.ratio.estimate for one in told if one.ratio], 1.0, [one.std_error for one in told])


def _shrinkage(judged: Sequence[SurgeonResult], measure: ComparedMeasure, level: float) -> Shrinkage | None:
    """None with fewer than four surgeons, or no event."""
    try:
        if measure.model == "grafts":
            ratios = [one.ratio.estimate for one in judged if one.ratio]
            return shrunken_means(ratios, [one.std_error for one in judged], level)
        return shrunken_ratios([one.observed for one in judged], [one.expected or 0.0 for one in judged], level)
    except CountsError:
        return None


def _told(drawn: ShrunkenEstimate | None, measure: ComparedMeasure) -> Told | None:
    if drawn is None:
        return None
    method = "empirical_bayes_normal" if measure.model == "grafts" else "empirical_bayes_gamma_poisson"
    return Told(drawn.shrunken, drawn.lower, drawn.upper, method)


def _indirect(one: SurgeonResult, share: float | None) -> Told | None:
    return one.ratio.times(share, 1.0, "indirect") if one.ratio and share else None


def _cases_needed(one: SurgeonResult, shrinkage: Shrinkage | None, measure: ComparedMeasure) -> int | None:
    """Sessions (of grafts: patients with counts) like this surgeon's; None where surgeons are not told apart."""
    if shrinkage is None or one.variance <= 0:
        return None
    cases = one.patients if measure.model == "grafts" else one.n
    return cases_needed_for_reliability(shrinkage.between, one.std_error**2 * cases)


def _position(one: SurgeonResult, measure: ComparedMeasure, dispersion: OverDispersion | None) -> Position | None:
    assert one.ratio is not None
    if one.variance <= 0:
        return None
    if measure.model == "grafts":
        return _normal_position(one, measure, dispersion)
    assert one.expected is not None
    return position_of_ratio(one.observed, one.expected, measure.unfavourable, dispersion, risks=one.risks)


def _normal_position(one: SurgeonResult, measure: ComparedMeasure, dispersion: OverDispersion | None) -> Position:
    """The position of a ratio whose law is normal."""
    from scipy.special import ndtr

    assert one.ratio is not None
    wide = dispersion.widening(one.std_error) if dispersion else 1.0
    z = (one.ratio.estimate - 1.0) / one.std_error
    alert, priority = (
        (max(1.0 - reach, 0.0), 1.0 + reach)
        for reach in (normal_quantile(level) * wide * one.std_error for level in (ALERT_LEVEL, PRIORITY_LEVEL))
    )
    worse = -z if measure.unfavourable == "low" else z
    beyond: Flag = (
        "priority_review"
        if worse > normal_quantile(PRIORITY_LEVEL) * wide
        else "alert"
        if worse > normal_quantile(ALERT_LEVEL) * wide
        else ""
    )
    return Position(
        one.ratio.estimate,
        1.0,
        z,
        float(ndtr(-worse / wide)),
        wide,
        alert,
        priority,
        beyond,
        -worse > normal_quantile(ALERT_LEVEL) * wide,
    )
