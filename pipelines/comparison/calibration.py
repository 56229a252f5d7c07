"""How well expected shares foretell what was seen: discrimination, calibration line and calibration by tenths."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..graft_model.quasi_binomial import fit_quasi_binomial
from ..regression.errors import ModelError
from ..regression.firth import refitted_intercept
from ..regression.logistic import fit_logistic
from ..regression.observations import Observations
from ..regression.spells import Floats, Ints

TENTHS = 10
_EVENTS_A_GROUP = 5
_CLOSE = 1e-9


@dataclass(frozen=True)
class CalibrationGroup:
    """Sessions of like expected share. predicted: mean expected share. observed of n: events, or grafts."""

    predicted: float
    n: int
    observed: int
    patients: int


@dataclass(frozen=True)
class Calibration:
    """c_statistic: chance that of two sessions the one with the event had the higher expected share; None for grafts.

    slope: 1 is right; below 1, expected shares differ too much. intercept: log odds by which all are too low. None
    where expected shares do not differ.
    """

    c_statistic: float | None
    slope: float | None
    slope_error: float | None
    intercept: float | None
    groups: tuple[CalibrationGroup, ...]


def calibration(observed: Floats, weight: Floats, predicted: Floats, cluster: Ints, *, yes_or_no: bool) -> Calibration:
    """Check expected shares against what was seen.

    Slope: of the log odds of the outcome on the log odds expected; errors with patients as clusters. Intercept: with
    the slope held at 1. Groups: tenths by expected share, fewer where there are fewer than 5 of the rarer outcome a
    group. Judges the sessions given: of those that a model was fitted to, it flatters.
    observed, weight: (n,) events of sessions, or grafts that did not grow of those placed. predicted: (n,) 0-1.
    Source: Cox 1958, Biometrika 45:562-565; Steyerberg 2019, Clinical Prediction Models, 2nd ed., chapter 15.
    """
    groups = calibration_groups(observed, weight, predicted, cluster)
    inside = bool(((predicted > 0) & (predicted < 1)).all())
    if not inside or np.ptp(predicted) < _CLOSE or not 0 < observed.sum() < weight.sum():
        return Calibration(None, None, None, None, groups)
    log_odds = np.log(predicted / (1 - predicted))
    c_statistic: float | None = None
    try:
        if yes_or_no:
            c_statistic = _concordance(observed, predicted)
            fit = fit_logistic(Observations(log_odds[:, None], ("log odds expected",), observed, cluster))
            slope, error = float(fit.coefficients[1]), float(np.sqrt(fit.covariance[1, 1]))
            intercept: float | None = refitted_intercept(log_odds, float(observed.mean()))
        else:
            x = np.column_stack([np.ones(len(observed)), -log_odds])
            grafts = fit_quasi_binomial(x, weight - observed, weight, cluster)
            slope, error = float(grafts.coefficients[1]), float(np.sqrt(grafts.covariance[1, 1]))
            share, seen = float(weight @ predicted / weight.sum()), float(observed.sum() / weight.sum())
            intercept = float(np.log(seen / (1 - seen)) - np.log(share / (1 - share)))
    except (ModelError, np.linalg.LinAlgError):
        return Calibration(c_statistic, None, None, None, groups)
    return Calibration(c_statistic, slope, error, intercept, groups)


def _concordance(observed: Floats, predicted: Floats) -> float:
    from scipy.stats import mannwhitneyu

    yes, no = predicted[observed == 1], predicted[observed == 0]
    return float(mannwhitneyu(yes, no, method="asymptotic").statistic / (len(yes) * len(no)))


def calibration_groups(
    observed: Floats, weight: Floats, predicted: Floats, cluster: Ints, by: Floats | None = None
) -> tuple[CalibrationGroup, ...]:
    """Tenths by expected share, or by another score; fewer where each would hold under 5 of the rarer outcome."""
    score = predicted if by is None else by
    rarer = min(observed.sum(), weight.sum() - observed.sum())
    count = int(min(TENTHS, max(rarer // _EVENTS_A_GROUP, 1), len(np.unique(score))))
    edges = np.unique(np.quantile(score, np.linspace(0, 1, count + 1)[1:-1]))
    place = np.searchsorted(edges, score, side="right")
    found = []
    for group in np.unique(place):
        own = place == group
        found.append(
            CalibrationGroup(
                float(weight[own] @ predicted[own] / weight[own].sum()),
                int(weight[own].sum()),
                int(observed[own].sum()),
                len(np.unique(cluster[own])),
            )
        )
    return tuple(found)
