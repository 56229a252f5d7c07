"""The regression of a complication of a session, as figures with remarks."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import polars as pl

from registry.errors import Fault, GraftledgerError
from registry.store import Registry

from ..estimators import wilson
from ..figure import Figure
from ..next_session_model.covariates import Covariate
from ..next_session_model.measures import IMPUTED
from ..next_session_model.preparing import prepared
from ..regression.errors import ModelError
from ..regression.firth import fit_firth, pooled_firth_limits
from ..regression.logistic import LogisticFit, fit_logistic
from ..regression.risk_difference import firth_difference_limits, risk_difference
from ..regression.spells import Floats
from .covariates import COVARIATES, SITE, with_sites
from .fitting import SETS, Analysis, Effect, Fits, fit_sessions, without_small
from .measures import ERROR_RATIO, ODDS_RATIO, RISK_DIFFERENCE, SHARE
from .outcomes import Outcome, outcome
from .result import SessionModel, Shown, analyses, effect_figures, missing_figures
from .sessions import MOST_PATIENTS, ModelSessions, complication_sessions

LEAST_EVENTS_AT_ALL = 10
"""Fewer sessions with, or without, the complication, and no model is fitted (common practice, no source)."""
EVENTS_FOR_A_COLUMN = 10
"""Fewer of the rarer outcome a coefficient, and the likelihood is penalised (Peduzzi et al. 1996, J Clin Epidemiol
49:1373-1379)."""


def complication_model(
    registry: Registry,
    name: str,
    *,
    as_of: date | None = None,
    level: float = 0.95,
    most_patients: int = MOST_PATIENTS,
    sets: int = SETS,
) -> SessionModel:
    """With what a complication goes: logistic regression over the sessions assessed for it.

    Assessed, and when it counts, as in `complications`. Covariates of the patient and of the session at once; each
    site has its own level, which is not shown. Ordinary likelihood with errors by patient; penalised (`fit_firth`)
    where there are fewer than ten of the rarer outcome a coefficient, or a group has no event. Missing covariates are
    filled in several times beside complete cases.
    Assumes: log odds are straight lines in the numbers; what is missing is missing at random given the records; those
    assessed are like those not. Ratios tell who differs, they are no effects: a technique or closure is chosen for a
    patient, and a surgeon who takes the harder cases has more complications at the same skill. Long duration may be
    the mark of a hard case, not a cause.
    name: see `OUTCOMES`. as_of: what happened later is ignored. most_patients: above it, a random sample of so many.
    Returns figures: the share, missing counts, then odds ratios and risk differences by analysis and covariate.
    Raises: GraftledgerError for an unknown name, fewer than ten sessions with or without, or nothing to compare by.
    """
    chosen = outcome(name)
    taken = complication_sessions(registry, chosen, as_of=as_of, most_patients=most_patients)
    _refuse_few(chosen, taken)
    floor = registry.settings.floor_denominator
    covariates = with_sites(COVARIATES, registry.settings.sites)
    try:
        fits, rows = _fit(taken, covariates, floor, sets)
    except ModelError as problem:
        raise GraftledgerError(
            Fault(f"the model cannot be fitted: {problem}.", mend="Sessions must differ in at least one covariate.")
        ) from None
    firth = bool(fits.main.fits[0].firth)
    figures: list[Figure] = [_share(chosen, taken, level), *missing_figures(rows, fits, level)]
    lost = 0.0
    for analysis, found, not_counted in analyses(fits, len(rows), taken):
        effects = _effects(found, level, firth=firth)
        if analysis == IMPUTED:
            lost = max((effect.missing_information for effect in effects[0]), default=0.0)
        for measure, told in zip((ODDS_RATIO, RISK_DIFFERENCE), effects, strict=True):
            shown = Shown(
                measure,
                "firth" if firth else "logistic_clustered",
                floor,
                level,
                ratio=measure == ODDS_RATIO,
                events=found.fits[0].events,
                group={"outcome": chosen.name},
            )
            figures += effect_figures(shown, analysis, found, fits, told, not_counted)
    figures.append(_error_ratio(fits.main, level))
    return SessionModel(
        figures=tuple(figures),
        remarks=fits.remarks,
        sessions=len(rows),
        patients=rows["patient_key"].n_unique(),
        drawn=taken.rows["patient_key"].n_unique(),
        of_patients=taken.patients,
        events=int(rows["had_event"].sum()),
        columns=len(fits.main.fits[0].names),
        complete=fits.without_gap,
        sets=len(fits.filled.fits) if fits.filled else 0,
        lost=lost,
        firth=firth,
    )


def _refuse_few(chosen: Outcome, taken: ModelSessions) -> None:
    n = len(taken.rows)
    events = int(taken.rows["had_event"].sum())
    if min(events, n - events) < LEAST_EVENTS_AT_ALL:
        raise GraftledgerError(
            Fault(
                f"{chosen.label}: {events} of {n} session(s) assessed had it; a comparison needs at least "
                f"{LEAST_EVENTS_AT_ALL} with it and {LEAST_EVENTS_AT_ALL} without.",
                mend="Take in more records, or choose another outcome.",
            )
        )


def _fit(taken: ModelSessions, covariates: tuple[Covariate, ...], floor: int, sets: int) -> tuple[Fits, pl.DataFrame]:
    """The fits and their rows. Penalised, a level without an event stays; else it is left out."""
    plan = without_small(prepared(taken.rows, floor, covariates, least_events=0), floor)
    columns = sum(max(len(one.groups) - 1, 1) for one in plan.used)
    events = int(taken.rows["had_event"].sum())
    if min(events, len(taken.rows) - events) >= EVENTS_FOR_A_COLUMN * columns:
        of_enough = without_small(prepared(taken.rows, floor, covariates), floor)
        rows = of_enough.kept(taken.rows)
        try:
            return fit_sessions(rows, of_enough, _events(rows), fit_logistic, sets), rows
        except ModelError:  # a group with events alone, or no group with enough of them: penalised, it may go
            pass
    rows = plan.kept(taken.rows)
    return fit_sessions(rows, plan, _events(rows), fit_firth, sets), rows


def _events(rows: pl.DataFrame) -> Floats:
    return np.asarray(rows["had_event"].to_numpy(), dtype=float)


def _effects(found: Analysis, level: float, *, firth: bool) -> tuple[list[Effect], list[Effect]]:
    """Log odds ratios, and differences of the mean risk: a level for all against the reference for all; a number one
    unit up for all. Limits of a penalised fit by the profiles, else by the errors."""
    by_errors = found.effects(level)
    readings = [
        [_readings(seen.x, found.places[contrast.covariate], weights, contrast.against) for seen in found.sets]
        for contrast, weights in zip(found.contrasts, found.weights, strict=True)
    ]
    told = [
        [risk_difference(seen, fit, *pair) for seen, fit, pair in zip(found.sets, found.fits, pairs, strict=True)]
        for pairs in readings
    ]
    differences = found.joined(
        [np.array([each[number].estimate for each in told]) for number in range(len(found.sets))],
        [np.array([each[number].standard_error ** 2 for each in told]) for number in range(len(found.sets))],
        level,
    )
    if not firth:
        return by_errors, [replace(each, lower=max(each.lower, -1), upper=min(each.upper, 1)) for each in differences]
    columns = [int(np.flatnonzero(weights)[0]) for weights in found.weights]
    limits = list(zip(*pooled_firth_limits(found.sets, found.fits, level, columns), strict=True))
    of_differences = [
        firth_difference_limits(found.sets, found.fits, pairs, column, ends, level)
        for pairs, column, ends in zip(readings, columns, limits, strict=True)
    ]
    return _between(by_errors, limits), _between(differences, of_differences)


def _between(effects: list[Effect], limits: list[tuple[float, float]]) -> list[Effect]:
    """The effects with other limits."""
    return [
        replace(effect, lower=min(float(low), effect.estimate), upper=max(float(high), effect.estimate))
        for effect, (low, high) in zip(effects, limits, strict=True)
    ]


def _readings(x: Floats, places: list[int], weights: Floats, against: str) -> tuple[Floats, Floats]:
    """The columns if all had it, and if none had. A number has nothing that it is against: it goes up from where it
    is."""
    without = x.copy()
    if against:
        without[:, places] = 0.0
    return without + weights, without


def _share(chosen: Outcome, taken: ModelSessions, level: float) -> Figure:
    n, events = len(taken.rows), int(taken.rows["had_event"].sum())
    share = wilson(events, n, level)
    return Figure(
        SHARE,
        n=n,
        n_unit="sessions",
        n_clusters=taken.rows["patient_key"].n_unique(),
        method="wilson",
        group={"outcome": chosen.name},
        estimate=share.estimate,
        lower=share.lower,
        upper=share.upper,
        level=level,
        events=events,
        not_counted=dict(taken.not_counted),
    )


def _error_ratio(found: Analysis, level: float) -> Figure:
    """By how much errors by patient are above those by session, at most, over the columns shown."""
    fit: LogisticFit = found.fits[0]
    ratio = np.sqrt(np.diag(fit.slope_covariance) / np.diag(fit.model_covariance)[1:])
    shown = [place for name, places in found.places.items() if name != SITE for place in places]
    return Figure(
        ERROR_RATIO,
        n=fit.n,
        n_unit="sessions",
        n_clusters=fit.n_clusters,
        method="sandwich_by_patient",
        estimate=float(ratio[shown].max()),
        level=level,
        events=fit.events,
    )
