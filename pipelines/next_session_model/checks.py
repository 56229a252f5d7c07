"""Whether the model can be believed: proportional hazards, influence, calibration and concordance, as figures."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import polars as pl

from registry.durations import years

from ..estimators import product_limit, risk_table, survival_at
from ..figure import Figure
from ..regression.baseline import predicted_share
from ..regression.concordance import Kind, concordance
from ..regression.cox import fit_cox
from ..regression.errors import ModelError
from ..regression.proportional_hazards import proportional_hazards_test
from ..regression.spells import Floats, Spells
from . import design
from .fitting import Fits
from .measures import CONCORDANCE, INFLUENCE, OBSERVED, PLAN_AS_STRATUM, PREDICTED, PROPORTIONAL_HAZARDS_P

PLAN = "further_sessions_planned"
_HORIZONS = tuple(years(count) for count in (5, 3, 2, 1))
_FEWEST_FOLLOWED = 5
"""Times the floor: those who must still be followed at the day of the calibration."""
_FEWEST_FOR_TENTHS = 400
"""Below it, fifths are taken instead."""


def check_figures(fits: Fits, floor: int, level: float) -> Iterator[Figure]:
    """Every check, on complete cases where nothing is missing, else on the first imputed set.

    Those the model learnt from are those it is checked on, so calibration and concordance look better than they would
    among new patients.
    """
    spells, fit = fits.first_set, fits.first_fit
    shared: dict[str, Any] = {
        "n": spells.size,
        "n_unit": "patients",
        "n_clusters": fit.n_clusters,
        "events": fit.events,
    }
    for test in proportional_hazards_test(spells, fit, fits.places):
        yield Figure(
            PROPORTIONAL_HAZARDS_P,
            group={"covariate": test.term},
            estimate=test.p,
            method="grambsch_therneau_score",
            level=level,
            **shared,
        )
    pull = _largest_pull(spells, fits)
    for name, places in fits.places.items():
        yield Figure(
            INFLUENCE,
            group={"covariate": name},
            estimate=float(pull[places].max()),
            method="dfbeta_by_patient",
            level=level,
            **shared,
        )
    yield from _concordance(spells, spells.x @ fit.coefficients, level)
    yield from _calibration(spells, fit.coefficients, floor, level)
    yield from _plan_as_stratum(spells, fits, level)


def _largest_pull(spells: Spells, fits: Fits) -> Floats:
    """For each column, the most that leaving out one patient moves its coefficient, in robust standard errors."""
    fit = fits.first_fit
    _, place = np.unique(spells.cluster, return_inverse=True)
    sums = np.column_stack([np.bincount(place, column) for column in fit.influence.T])
    return np.asarray(np.abs(sums).max(axis=0) / fit.standard_errors)


def _concordance(spells: Spells, predictor: Floats, level: float) -> Iterator[Figure]:
    from scipy.stats import norm

    kinds: tuple[Kind, ...] = ("harrell", "uno")
    for kind in kinds:
        # Uno's c knows no delayed entry, and its weights need somebody followed: up to where a tenth still is
        chosen = np.isinf(spells.entry) if kind == "uno" else np.ones(spells.size, dtype=bool)
        part = spells.taken(chosen)
        up_to = int(np.quantile(part.exit, 0.9)) if kind == "uno" and part.size else None
        result = concordance(part, predictor[chosen], kind, up_to)
        reach = norm.ppf((1 + level) / 2) * (result.standard_error or 0.0)
        yield Figure(
            CONCORDANCE,
            at=up_to,
            estimate=result.c,
            lower=None if result.c is None else max(result.c - reach, 0.0),
            upper=None if result.c is None else min(result.c + reach, 1.0),
            level=level,
            n=part.size,
            n_unit="patients",
            n_clusters=len(np.unique(part.cluster)),
            events=int(part.event.sum()),
            method=f"{kind}_c",
        )


def calibration_day(spells: Spells, floor: int) -> int | None:
    """The latest of 1, 2, 3 and 5 years after which enough are still followed."""
    followed = {day: int((spells.exit > day).sum()) for day in _HORIZONS}
    return next((day for day in _HORIZONS if followed[day] >= _FEWEST_FOLLOWED * floor), None)


def _calibration(spells: Spells, coefficients: Floats, floor: int, level: float) -> Iterator[Figure]:
    """By tenth of the predicted share: the mean predicted, and what was seen (Kaplan-Meier)."""
    at_days = calibration_day(spells, floor)
    if at_days is None:
        return
    predicted = predicted_share(spells, coefficients, at_days)
    usable = np.flatnonzero(np.isfinite(predicted))
    parts = 10 if len(usable) >= _FEWEST_FOR_TENTHS else 5
    for number, rows in enumerate(np.array_split(usable[np.argsort(predicted[usable], kind="stable")], parts), start=1):
        if not len(rows):
            continue
        counted: dict[str, Any] = {
            "group": {"predicted_part": f"{number} of {parts}"},
            "at": at_days,
            "level": level,
            "n": len(rows),
            "n_unit": "patients",
            "n_clusters": len(np.unique(spells.cluster[rows])),
        }
        yield Figure(PREDICTED, estimate=float(predicted[rows].mean()), method="cox_mean_prediction", **counted)
        entry = np.where(np.isfinite(spells.entry[rows]), spells.entry[rows], 0)
        table = risk_table(
            pl.DataFrame(
                {
                    "entry_day": entry.astype(int),
                    "exit_day": spells.exit[rows].astype(int),
                    "events": spells.event[rows].astype(int),
                    "censored": (~spells.event[rows]).astype(int),
                }
            )
        )
        (read,) = survival_at(product_limit(table), [at_days], level)
        known = read.estimate is not None and read.lower is not None and read.upper is not None
        yield Figure(
            OBSERVED,
            estimate=1 - read.estimate if read.estimate is not None else None,
            lower=1 - read.upper if known and read.upper is not None else None,
            upper=1 - read.lower if known and read.lower is not None else None,
            method="kaplan_meier_loglog",
            events=read.events,
            at_risk=read.at_risk,
            flags=("too_few",) if read.at_risk < floor else (),
            **counted,
        )


def _plan_as_stratum(spells: Spells, fits: Fits, level: float) -> Iterator[Figure]:
    """The model again with a planned further session as a stratum: how far the most moved of the other ratios moves.

    A planned stage comes at its own time, so its ratio cannot be one over all times; the others must not rest on that.
    """
    if PLAN not in fits.places or len(fits.places) < 2:
        return
    plan = fits.places[PLAN]
    others = [column for column in range(spells.x.shape[1]) if column not in plan]
    stratum = spells.stratum * 2 + spells.x[:, plan[0]].astype(int)
    again = Spells(
        spells.x[:, others],
        tuple(spells.names[column] for column in others),
        spells.entry,
        spells.exit,
        spells.event,
        stratum,
        spells.cluster,
    )
    try:
        fit = fit_cox(again)
    except ModelError:
        return
    shown = [contrast for contrast in design.contrasts(fits.used) if contrast.covariate != PLAN]
    before, after = (
        np.array([contrast.weights[others] @ coefficients for contrast in shown])
        for coefficients in (fits.first_fit.coefficients[others], fit.coefficients)
    )
    yield Figure(
        PLAN_AS_STRATUM,
        estimate=float(np.abs(np.exp(after - before) - 1).max()),
        level=level,
        n=fit.n,
        n_unit="patients",
        n_clusters=fit.n_clusters,
        events=fit.events,
        method="cox_efron",
    )
