"""Product limit on weighted rows with a variance between patients: shared by clustered and weighted survival."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipelines.estimators.cluster_sums import clusters_present, quadratic_form, running_cross_sums
from pipelines.estimators.counts import Counts, Ints, checked_counts, risk_table
from pipelines.estimators.limits import Floats

# A variance below this share of Greenwood's is rounding, not spread.
ROUNDING = 1e-10


@dataclass(frozen=True, eq=False)
class RobustSurvival:
    """Arrays over the n days of a risk table, ascending.

    counts: the risk table, unweighted. survival: (n,) from weighted numbers. variance: (n,) robust, of log survival;
    infinite once survival is 0, 0 where nothing shows a spread. weighted_at_risk, squared_at_risk: (n,) sum of the
    weights, and of their squares, of those at risk. patients_at_risk: (n,) how many patients they are.
    """

    counts: Counts
    survival: Floats
    variance: Floats
    weighted_at_risk: Floats
    squared_at_risk: Floats
    patients_at_risk: Ints


def robust_survival(rows: pl.DataFrame) -> RobustSurvival:
    """Product over days of 1 - weighted events / weighted at risk, and the variance of its log between patients.

    Variance: infinitesimal jackknife, grouped by patient. The influence of a row with weight w, observed from e to x,
    on log survival by t is -w ([event on x <= t] / s(x) - H(min(x, t)) + H(min(e, t))), with d, n, s = n - d the
    weighted events, at risk and survivors of a day, H the running sum of d / (n s). Influences are added up within a
    patient, and the squares over patients.
    rows: from `person_rows`, with a column weight. Source: as `clustered_survival`.
    """

    def column(name: str) -> Ints:
        return rows.get_column(name).to_numpy()

    events, alike = pl.col("events") * pl.col("alike"), pl.col("alike")
    spells = rows.select("entry_day", "exit_day", events=events, censored=alike - events)
    counts = checked_counts(risk_table(spells), ["events"])
    days = counts.day.size
    late = column("entry_day") > 0
    left = np.searchsorted(counts.day, column("exit_day"))
    since = np.where(late, np.searchsorted(counts.day, column("entry_day")), 0)
    copies, weight = column("alike").astype(np.float64), rows.get_column("weight").to_numpy().astype(np.float64)
    happened = column("events").astype(np.float64)

    at_risk = _at_risk(late, since, left, copies * weight, counts)
    tied = np.bincount(left, weights=copies * weight * happened, minlength=days)
    survivors = np.where(counts.at_risk > counts.events[0], at_risk - tied, 0.0)
    by_survivors = np.divide(1.0, survivors, out=np.zeros(days), where=survivors > 0.0)
    hazard = np.divide(tied, at_risk, out=np.zeros(days), where=at_risk > 0.0)
    hazard = np.where((counts.events[0] > 0) & (counts.events[0] == counts.at_risk), 1.0, hazard)
    survival = np.cumprod(1.0 - hazard, dtype=np.float64)
    running = np.cumsum(hazard * by_survivors)

    patient = np.repeat(column("patient"), 2)
    row = _in_turn(since, left)
    steps = _in_turn(np.ones(left.size), -np.ones(left.size))
    entering = -np.where(late, weight * running[since], 0.0)
    leaving = weight * (running[left] - happened * by_survivors[left])
    sums = running_cross_sums(
        patient, row, [_in_turn(weight, -weight), _in_turn(entering, leaving)], np.repeat(copies, 2), days
    )
    variance = quadratic_form([running, np.ones(days)], sums)
    plain_survivors = (counts.at_risk - counts.events[0]).astype(np.float64)
    greenwood = np.cumsum(np.divide(hazard, plain_survivors, out=np.zeros(days), where=plain_survivors > 0.0))
    variance = np.where(variance > ROUNDING * greenwood, variance, 0.0)
    present = clusters_present(patient, row, steps, np.repeat(copies, 2), days)
    first_copies = np.unique(column("patient")[~late], return_index=True)[1]
    from_origin = int(copies[~late][first_copies].sum())
    return RobustSurvival(
        counts=counts,
        survival=survival,
        variance=np.where(survival > 0.0, variance, np.inf),
        weighted_at_risk=at_risk,
        squared_at_risk=_at_risk(late, since, left, copies * weight**2, counts),
        patients_at_risk=np.concatenate([[from_origin], present])[:days].astype(np.int64),
    )


def _at_risk(
    late: np.ndarray[tuple[int], np.dtype[np.bool_]], since: Ints, left: Ints, weight: Floats, counts: Counts
) -> Floats:
    """Sum of weights at risk on each day, added up from the last day backwards, so that small late sums stay exact."""
    days = counts.day.size
    leaving = np.bincount(left, weights=weight, minlength=days)
    entering = np.bincount(since[late], weights=weight[late], minlength=days)
    at_risk = np.cumsum((leaving - entering)[::-1])[::-1]
    return np.where(counts.at_risk > 0, at_risk, 0.0)


def _in_turn(entering: np.ndarray, leaving: np.ndarray) -> np.ndarray:
    """Entry and exit of the first row, of the second, and so on."""
    return np.column_stack([entering, leaving]).ravel()
