"""Kaplan-Meier with weights, such as the inverse probability of still being followed."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipelines.estimators.counts import refuse
from pipelines.estimators.errors import CountsError
from pipelines.estimators.kaplan_meier import SurvivalCurve
from pipelines.estimators.limits import Floats
from pipelines.estimators.person_rows import person_rows, refuse_overlaps
from pipelines.estimators.robust_survival import robust_survival


@dataclass(frozen=True, eq=False)
class WeightedSurvival:
    """A weighted product-limit curve and what its weights do.

    curve: read it with `survival_at` and `quantile_with_limits`; at_risk and events count people, unweighted.
    weighted_at_risk: (n,) sum of the weights of those at risk on each day of the curve. effective_at_risk: (n,)
    Kish's effective number, (sum of weights)^2 / sum of squared weights: so many people with equal weights would tell
    as much. lightest, heaviest: the range of weights; None without rows.
    """

    curve: SurvivalCurve
    weighted_at_risk: Floats
    effective_at_risk: Floats
    lightest: float | None
    heaviest: float | None


def weighted_survival(intervals: pl.DataFrame) -> WeightedSurvival:
    """Share of people still without the event, each row of a person counting with its own weight.

    Estimator: product over days of 1 - weighted events / weighted at risk. With weights 1 / (probability of still
    being followed, given what was measured), those who stay stand in for those like them who were lost
    (`censoring_weights`). Variance: infinitesimal jackknife between people, taking weights as known; with estimated
    weights it is on the wide side. Equals R `survfit` with weights, `id` and robust variance. Before the first event
    limits are exact for the effective number at risk, rounded down.
    Assumes: among people alike in what the weights were made from, loss carries no news of the event; everyone had some
    chance to be followed. It cannot repair loss that depends on the event itself, such as patients who come back only
    to be operated on: nothing measured before tells them from others, weights stay near 1 and the bias stays. Misleads
    when a few weights are large: see heaviest and effective_at_risk; a curve that rests on a handful is no finding.
    Common practice, no source: look again at the weights where the heaviest is above 10 or the effective number below
    half of those at risk.
    intervals: rows in counting-process form, any order; one row a stretch with one weight. patient, exit_day, events
    (0 or 1; 1 ends the patient's rows), entry_day (optional), alike (optional): as `mean_cumulative`. weight: above 0.
    Only ratios of weights matter. Cost: linear in the rows but for one sort.
    Returns a WeightedSurvival.
    Raises: CountsError, naming the first day at fault: a weight that is missing, not finite or not above 0, rows of a
    patient that overlap or follow the event, and all that `person_rows` and `risk_table` refuse.
    Source: Robins & Finkelstein 2000, Biometrics 56:779-788; Xie & Liu 2005, Stat Med 24:3089-3110 (weighted
    Kaplan-Meier); Kish 1965, Survey Sampling, section 11.7.

    >>> intervals = pl.DataFrame({"patient": [1, 2, 3], "exit_day": [3, 5, 5], "events": [1, 0, 0],
    ...                           "weight": [1.0, 1.0, 2.0]})
    >>> result = weighted_survival(intervals)
    >>> result.curve.survival.tolist(), round(float(result.effective_at_risk[0]), 3)
    ([0.75, 0.75], 2.667)
    """
    if "weight" not in intervals.columns:
        raise CountsError("missing column weight")
    if not intervals.get_column("weight").dtype.is_numeric():
        raise CountsError("column weight: expected numbers")
    rows = person_rows(intervals, {}).with_columns(pl.col("weight").cast(pl.Float64))
    sound = (pl.col("weight").is_finite() & (pl.col("weight") > 0.0)).fill_null(False)
    at_fault = {"events is neither 0 nor 1": pl.col("events") > 1, "weight is not a number above 0": ~sound}
    refuse(rows, at_fault, day="exit_day")
    refuse_overlaps(rows, "events", "a patient is observed after the event")
    result = robust_survival(rows)
    squared = np.where(result.squared_at_risk > 0.0, result.squared_at_risk, 1.0)
    # n equal weights must amount to n, whatever the rounding
    effective = np.minimum(result.weighted_at_risk**2 / squared, result.counts.at_risk)
    curve = SurvivalCurve(
        day=result.counts.day,
        at_risk=result.counts.at_risk,
        events=result.counts.events[0],
        survival=result.survival,
        greenwood=result.variance,
        counts=result.counts,
        trials=np.maximum(np.floor(effective + 1e-6), np.minimum(result.counts.at_risk, 1)).astype(np.int64),
    )
    weights = rows.get_column("weight").to_numpy()
    lightest, heaviest = (float(weights.min()), float(weights.max())) if weights.size else (None, None)
    return WeightedSurvival(curve, result.weighted_at_risk, effective, lightest, heaviest)
