"""Whether the proportions that a Cox model takes as fixed stay fixed over time."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from ._risk_sets import strata
from .cox import CoxFit, exposure
from .spells import Floats, Ints, Spells

Scale = Literal["survival", "days"]


@dataclass(frozen=True)
class ProportionalHazardsTest:
    """A test of one term, or of all together. chi2: at least 0. df: its columns. p: 0-1, small where they change."""

    term: str
    chi2: float
    df: int
    p: float


def proportional_hazards_test(
    spells: Spells, fit: CoxFit, terms: Mapping[str, Sequence[int]], scale: Scale = "survival"
) -> tuple[ProportionalHazardsTest, ...]:
    """Score test of each term times a function of time, and of all terms together ("all") as the last.

    The test looks for a trend of the ratio over time, so it misses one that rises and falls again. With many events
    it finds trends too small to matter; with few it finds none. Variance as if spells were independent.
    terms: columns by term. scale: "survival", one minus the Kaplan-Meier curve just before the day, so that few late
    events do not rule; or "days".
    It is the test of R cox.zph since survival 3.0. lifelines' proportional_hazard_test is the older approximation,
    which takes one variance for all times and one column at a time; on the tests' data its chi-square is up to a
    third away.
    Source: Grambsch & Therneau 1994, Biometrika 81:515-526; Therneau, cox.zph in R survival 3 (exact information).
    """
    from scipy.stats import chi2

    columns = len(fit.names)
    centre, spread = spells.x.mean(axis=0), spells.x.std(axis=0)
    x = (spells.x - centre) / spread
    predictor = x @ (fit.coefficients * spread)
    time = _one_minus_survival(spells) if scale == "survival" else np.asarray
    mean_time = float(np.average(time(spells.exit[spells.event])))
    score = np.zeros(columns)
    information = np.zeros((3, columns, columns))  # times the function of time to the power 0, 1, 2
    for stratum in strata(spells, x, predictor):
        moved = time(stratum.day) - mean_time
        at_rows = moved[stratum.at]
        own, days = stratum.own_day(spells)
        rows = stratum.rows
        score += (spells.weight[rows[own]] * moved[days]) @ x[rows[own]]
        score -= (stratum.weight * at_rows) @ stratum.mean
        for power in range(3):
            factor = at_rows**power
            held = x[rows] * exposure(spells, stratum, stratum.step * factor)[:, None]
            information[power] += held.T @ x[rows]
            information[power] -= (stratum.mean * (stratum.weight * factor)[:, None]).T @ stratum.mean
    free = information[2] - information[1] @ np.linalg.solve(information[0], information[1])

    def test(name: str, chosen: Sequence[int]) -> ProportionalHazardsTest:
        # other terms keep no slope in time: only the coefficients themselves are fitted beside
        part = free[np.ix_(chosen, chosen)]
        value = float(score[chosen] @ np.linalg.lstsq(part, score[chosen], rcond=None)[0])
        return ProportionalHazardsTest(name, max(value, 0.0), len(chosen), float(chi2.sf(value, len(chosen))))

    return (*(test(name, list(chosen)) for name, chosen in terms.items()), test("all", list(range(columns))))


def _one_minus_survival(spells: Spells) -> Callable[[Floats], Floats]:
    """One minus the product-limit curve of all spells together, each counted once, just before a day."""
    day, place = np.unique(spells.exit[spells.event], return_inverse=True)
    events = np.bincount(place)
    by_exit, by_entry = np.argsort(spells.exit), np.argsort(spells.entry)

    def from_day(order: Ints, days: Floats) -> Floats:
        return np.asarray(len(order) - np.searchsorted(days[order], day, side="left"))

    at_risk = from_day(by_exit, spells.exit) - from_day(by_entry, spells.entry)
    survival = np.concatenate([[1.0], np.cumprod(1 - events / at_risk)])
    return lambda days: 1 - survival[np.searchsorted(day, days, side="left")]
