"""With what the width of a strip's scar, and satisfaction over time, go: figures with remarks."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date

import numpy as np
import polars as pl

from registry.errors import Fault, GraftledgerError
from registry.store import Registry

from ..figure import Figure
from ..next_session_model.covariates import Covariate
from ..next_session_model.preparing import Remark, prepared
from ..regression.errors import ModelError, SeparationError
from ..regression.linear import fit_linear
from ..regression.observations import clustered_covariance
from ..regression.ordinal import fit_ordinal, proportional_odds_test
from ..regression.spells import Floats
from .covariates import COVARIATES, HARVEST, MILESTONE, SCAR_COVARIATES, SITE, with_milestones, with_sites
from .fitting import SETS, FitFunction, Fits, fit_sessions, without_small
from .measures import (
    PROPORTIONAL_ODDS_P,
    SATISFACTION_DIFFERENCE,
    SATISFACTION_MEAN,
    SATISFACTION_ODDS_RATIO,
    SCAR_DIFFERENCE,
    SCAR_MEAN,
)
from .result import SessionModel, Shown, analyses, effect_figures, missing_figures
from .sessions import MOST_PATIENTS, RATED_AT, ModelSessions, satisfaction_ratings, scar_sessions

LEAST_PATIENTS = 40
"""Fewer patients, and no model is fitted: errors by patient are too small then (common practice, no source)."""


def scar_width_model(
    registry: Registry,
    *,
    as_of: date | None = None,
    level: float = 0.95,
    most_patients: int = MOST_PATIENTS,
    sets: int = SETS,
) -> SessionModel:
    """How much wider the scar of a strip is by its closure, in millimetres: linear regression with robust errors.

    The width at the visit nearest to month 12, from month 6 to 18; sessions that took a strip alone. Few covariates,
    since few scars are measured; each site has its own level, not shown.
    Assumes: scars measured are like those not; a wide scar that brings a patient back is measured more often. Closure
    is chosen for a patient: a tight scalp, or a second strip, may decide both closure and width. Widths are skew, so
    that a few wide scars pull the means. No effect of a closure.
    Returns figures: mean by closure, missing counts, then differences by analysis and covariate.
    Raises: GraftledgerError where fewer than 40 patients have a scar measured, or nothing differs.
    """
    taken = scar_sessions(registry, as_of=as_of, most_patients=most_patients)
    _refuse_few(taken, "scars measured")
    covariates = with_sites(SCAR_COVARIATES, registry.settings.sites)
    floor = registry.settings.floor_denominator
    fits, rows = _fitted(taken.rows, covariates, "scar_width_mm", floor, fit_linear, sets)
    shown = Shown(SCAR_DIFFERENCE, "linear_clustered", floor, level, ratio=False)
    figures = [
        *_means(taken.rows, "scar_width_mm", SCAR_MEAN, HARVEST, SCAR_COVARIATES[0].levels, (floor, level)),
        *missing_figures(rows, fits, level),
        *_effects(shown, fits, rows, taken),
    ]
    return _model(figures, fits, rows, taken, level)


def satisfaction_model(
    registry: Registry,
    *,
    as_of: date | None = None,
    level: float = 0.95,
    most_patients: int = MOST_PATIENTS,
    sets: int = SETS,
) -> SessionModel:
    """With what a higher satisfaction goes, from month 6 to year 5: proportional odds, and beside it the mean.

    One rating a session and milestone. Odds ratios of a higher rating (`fit_ordinal`), with a check that they are the
    same at every cut; differences of the mean rating (`fit_linear`), which ask nothing of that kind. Errors by
    patient; each site has its own level, not shown.
    Assumes: those asked are like those not; whoever is dissatisfied may stay away, or have gone elsewhere, and is then
    not heard. Whoever is seen at year 5 is a chosen few, so a rise over time may be who is left.
    Returns figures: mean by milestone, missing counts, odds ratios and differences by analysis, then the check.
    Raises: GraftledgerError where fewer than 40 patients gave a rating, or nothing differs.
    """
    taken = satisfaction_ratings(registry, as_of=as_of, most_patients=most_patients)
    _refuse_few(taken, "ratings of satisfaction")
    names = tuple(each.name for each in RATED_AT)
    covariates = with_sites(with_milestones(COVARIATES, names), registry.settings.sites)
    floor = registry.settings.floor_denominator * len(RATED_AT)  # ratings: a patient may give one a milestone
    fits, rows = _fitted(taken.rows, covariates, "satisfaction", floor, fit_ordinal, sets)
    means, _ = _fitted(taken.rows, covariates, "satisfaction", floor, fit_linear, sets)
    odds = Shown(SATISFACTION_ODDS_RATIO, "proportional_odds_clustered", floor, level, ratio=True, unit="ratings")
    points = Shown(SATISFACTION_DIFFERENCE, "linear_clustered", floor, level, ratio=False, unit="ratings")
    figures = [
        *_means(taken.rows, "satisfaction", SATISFACTION_MEAN, MILESTONE, names, (floor, level), "ratings"),
        *missing_figures(rows, fits, level, "ratings"),
        *_effects(odds, fits, rows, taken),
        *_effects(points, means, rows, taken),
        *_proportional(fits, level),
    ]
    return _model(figures, fits, rows, taken, level)


def _numbers(rows: pl.DataFrame, name: str) -> Floats:
    return np.asarray(rows[name].to_numpy(), dtype=float)


def _refuse_few(taken: ModelSessions, what: str) -> None:
    patients = taken.rows["patient_key"].n_unique()
    if patients < LEAST_PATIENTS:
        raise GraftledgerError(
            Fault(
                f"{what} of {patients} patient(s) are there; a comparison needs at least {LEAST_PATIENTS}.",
                mend="Take in more records, or declare up to when they are complete (site_period).",
            )
        )


def _fitted(
    rows: pl.DataFrame, covariates: tuple[Covariate, ...], column: str, floor: int, fit: FitFunction, sets: int
) -> tuple[Fits, pl.DataFrame]:
    """The fits and their rows. A covariate with a level that is all at one end of the ratings is left out."""
    plan = without_small(prepared(rows, floor, covariates, least_events=0), floor)
    rows = plan.kept(rows)
    while True:
        try:
            return fit_sessions(rows, plan, _numbers(rows, column), fit, sets), rows
        except SeparationError as problem:
            name = problem.columns[0].split(" ")[0]
            used = tuple(one for one in plan.used if one.name != name)
            plan = replace(plan, used=used, remarks=(*plan.remarks, Remark("no_estimate", name, n=len(rows))))
        except ModelError as problem:
            raise GraftledgerError(
                Fault(f"the model cannot be fitted: {problem}.", mend="Sessions must differ in at least one covariate.")
            ) from None


def _effects(shown: Shown, fits: Fits, rows: pl.DataFrame, taken: ModelSessions) -> Iterator[Figure]:
    for analysis, found, not_counted in analyses(fits, len(rows), taken):
        yield from effect_figures(shown, analysis, found, fits, found.effects(shown.level), not_counted)


def _means(
    rows: pl.DataFrame,
    column: str,
    measure: str,
    by: str,
    levels: tuple[str, ...],
    floor_and_level: tuple[int, float],
    unit: str = "sessions",
) -> Iterator[Figure]:
    """The mean by level as it was seen, errors by patient; no limits where there are fewer than two patients."""
    from scipy.stats import t

    floor, level = floor_and_level
    for name in levels:
        part = rows.filter(pl.col(by) == name)
        if part.is_empty():
            continue
        values, patients = _numbers(part, column), part["patient_key"].n_unique()
        _, cluster = np.unique(part["patient_key"].to_numpy().astype(str), return_inverse=True)
        mean, reach = float(values.mean()), None
        if patients > 1:
            variance = clustered_covariance((values - mean)[:, None] / len(values), cluster)[0, 0]
            reach = float(t.ppf((1 + level) / 2, patients - 1) * np.sqrt(variance))
        yield Figure(
            measure,
            n=len(part),
            n_unit=unit,
            n_clusters=patients,
            method="mean_clustered",
            group={by: name},
            estimate=mean,
            lower=None if reach is None else mean - reach,
            upper=None if reach is None else mean + reach,
            level=level,
            flags=("too_few",) if len(part) < floor else (),
        )


def _proportional(fits: Fits, level: float) -> Iterator[Figure]:
    """The check, on complete cases where nothing is missing, else on the first imputed set."""
    found = fits.main
    places = {name: own for name, own in found.places.items() if name != SITE}
    for name, p in proportional_odds_test(found.sets[0], places).items():
        yield Figure(
            PROPORTIONAL_ODDS_P,
            n=found.fits[0].n,
            n_unit="ratings",
            n_clusters=found.fits[0].n_clusters,
            method="brant_robust",
            group={"covariate": name},
            estimate=p,
            level=level,
        )


def _model(figures: list[Figure], fits: Fits, rows: pl.DataFrame, taken: ModelSessions, level: float) -> SessionModel:
    lost = (effect.missing_information for effect in fits.filled.effects(level)) if fits.filled else ()
    return SessionModel(
        figures=tuple(figures),
        remarks=fits.remarks,
        sessions=len(rows),
        patients=rows["patient_key"].n_unique(),
        drawn=taken.rows["patient_key"].n_unique(),
        of_patients=taken.patients,
        events=0,
        columns=len(fits.main.fits[0].names),
        complete=fits.without_gap,
        sets=len(fits.filled.fits) if fits.filled else 0,
        lost=max(lost, default=0.0),
    )
