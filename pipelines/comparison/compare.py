"""Each surgeon's observed outcomes beside those expected of the same patients, with what chance alone would do."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date

import numpy as np
import polars as pl

from ..estimators.errors import CountsError
from ..estimators.funnel import ALERT_LEVEL, PRIORITY_LEVEL, Flag, Position, position_of_ratio
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
from .grafts import normal_position, with_spread
from .measures import ComparedMeasure
from .results import MeasureComparison, SurgeonResult, Told
from .sessions import counted, reasons, within

PERIOD_YEARS = 3
"""Results of so many years up to the day asked for are compared (common practice, no source)."""
LEAST_POOLED = 2
"""Fewer other surgeons with enough patients in the reference period, and nothing is expected: it would be one person's
result."""
STRATA = 3
"""Thirds of sessions by expected share, for direct standardisation."""


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
        results = with_spread(results, rows, level)
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
        return normal_position(one, measure, dispersion)
    assert one.expected is not None
    return position_of_ratio(one.observed, one.expected, measure.unfavourable, dispersion, risks=one.risks)
