"""Ratios of grafts, whose spread by chance is that between patients: grafts of one patient are alike."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

import numpy as np
import polars as pl

from ..estimators.funnel import ALERT_LEVEL, PRIORITY_LEVEL, Flag, Position
from ..estimators.limits import normal_quantile
from ..estimators.over_dispersion import OverDispersion
from ..regression.spells import Floats
from .measures import ComparedMeasure
from .results import SurgeonResult, Told


def with_spread(results: Mapping[str, SurgeonResult], rows: pl.DataFrame, level: float) -> dict[str, SurgeonResult]:
    """Ratios of grafts, whose spread by chance is that between patients, of all surgeons together."""
    z = normal_quantile(level)
    spread = spread_between_patients(
        (rows.filter(pl.col("surgeon_code") == code), one.risks)
        for code, one in results.items()
        if one.expected is not None
    )
    found = dict(results)
    for code, one in results.items():
        if one.expected is None:
            continue
        wide = replace(one, variance=one.variance * spread)
        ratio, reach = max(one.observed, 0) / one.expected, z * wide.std_error
        found[code] = replace(wide, ratio=Told(ratio, max(ratio - reach, 0.0), ratio + reach, "normal_by_patient"))
    return found


def spread_between_patients(parts: Iterable[tuple[pl.DataFrame, Floats]]) -> float:
    """How many times the binomial variance the counts of patients spread, at least 1.

    parts: sessions of each surgeon, and the share expected of each. Grafts of one patient are summed. Sum of squares
    over sum of variances, about each surgeon's own mean, so that a difference between surgeons is not taken for spread.
    """
    squares = chance = 0.0
    for own, risks in parts:
        weight = own["weight"].to_numpy()
        difference = own["observed"].to_numpy() - risks * weight
        _, place = np.unique(own["patient_key"].to_numpy().astype(str), return_inverse=True)
        by_patient, size = np.bincount(place, difference), np.bincount(place, weight)
        residual = by_patient - size * difference.sum() / size.sum()
        squares += float(residual @ residual)
        chance += float(weight @ (risks * (1 - risks))) * (len(size) - 1) / len(size)
    return max(squares / chance, 1.0) if chance > 0 else 1.0


def normal_position(one: SurgeonResult, measure: ComparedMeasure, dispersion: OverDispersion | None) -> Position:
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
