"""The regression of time to the next session, as figures with remarks."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl

from registry.errors import Fault, GraftledgerError
from registry.store import Registry

from ..figure import Figure
from ..regression.cox import CoxFit
from ..regression.errors import ModelError
from . import design
from .checks import check_figures
from .covariates import UNKNOWN
from .fitting import SETS, Fits, Ratio, fit_model, limits, told_by
from .measures import AGES, COMPLETE, DEATH_COMPETING, HAZARD_RATIO, IMPUTED, MISSING
from .preparing import LEAST_EVENTS, Remark, prepared
from .recurrent import recurrent_fits
from .spells import MOST_PATIENTS, ModelSpells, model_spells

LEAST_EVENTS_AT_ALL = 10
"""Fewer next sessions than this, and no model is fitted (rule of thumb: common practice, no source)."""
_EVENTS_FOR_A_COLUMN = 10
"""Peduzzi et al. 1995, J Clin Epidemiol 48:1503-1510."""


@dataclass(frozen=True, eq=False)
class NextSessionModel:
    """The model in figures, and what a reader must know beside them.

    remarks: what was done to covariates. spells, patients: fitted, and of how many patients they were drawn.
    events, columns: next sessions, and coefficients. sets: imputed sets; 0 where nothing was missing. complete: spells
    without a missing value. knots, age_reference: of the curve of age. lost: largest share of information lost to
    missing values. few_for_columns: fewer than ten events a coefficient.
    """

    figures: tuple[Figure, ...]
    remarks: tuple[Remark, ...]
    spells: int
    patients: int
    events: int
    columns: int
    complete: int
    sets: int
    knots: tuple[float, ...]
    lost: float

    @property
    def few_for_columns(self) -> bool:
        """Whether there are fewer than ten next sessions a coefficient."""
        return self.events < _EVENTS_FOR_A_COLUMN * self.columns

    @property
    def sampled(self) -> bool:
        """Whether a sample was fitted."""
        return self.patients > self.spells

    def of(self, measure: str, **group: str) -> list[Figure]:
        """The figures of a measure whose group holds these values."""
        return [
            figure
            for figure in self.figures
            if figure.measure == measure and all(figure.group.get(name) == value for name, value in group.items())
        ]


def next_session_model(
    registry: Registry,
    *,
    recurrent: bool = False,
    as_of: date | None = None,
    level: float = 0.95,
    most_patients: int = MOST_PATIENTS,
    sets: int = SETS,
) -> NextSessionModel:
    """Who has a next session here sooner: Cox regression from the first session here, for those first operated here.

    Covariates as they stood at the first session; each site has a baseline of its own. Observed as in
    `time_to_next_session`, estimand "here". Ties after Efron, robust errors. Missing covariates are filled in several
    times (`regression.imputation`), beside complete cases; both are shown.
    Assumes: ratios stay the same over time (tested); what is missing is missing at random given the records. Ratios
    tell who differs, given the other covariates; they are no effects. A covariate that was recorded badly looks weaker
    than it is.
    recurrent: also fit forms that use every session, and one with death competing (`recurrent_fits`).
    as_of: what happened, or became known, later is ignored. most_patients: above it, a random sample of so many.
    Raises: GraftledgerError where fewer than ten next sessions were seen, or nothing differs between patients.
    """
    first = model_spells(registry, every_session=False, as_of=as_of, most_patients=most_patients)
    floor = registry.settings.floor_denominator
    events = int(first.rows["had_event"].sum())
    if events < LEAST_EVENTS_AT_ALL:
        raise GraftledgerError(
            Fault(
                f"{events} next session(s) were seen among {len(first.rows)} patient(s) first operated on here; a "
                f"comparison of who has one needs at least {LEAST_EVENTS_AT_ALL}.",
                mend="Take in more records, or declare up to when they are complete (site_period).",
            )
        )
    plan = prepared(first.rows, floor)
    rows = plan.kept(first.rows)
    try:
        fits = fit_model(rows, plan, sets)
    except ModelError as problem:
        raise GraftledgerError(
            Fault(
                f"the model cannot be fitted: {problem}.",
                mend="Patients must differ in at least one covariate, and next sessions be seen on both sides of it.",
            )
        ) from None
    not_counted = dict(first.not_counted)
    if len(rows) < len(first.rows):  # of a level in which nobody had a next session
        not_counted["not_counted"] = len(first.rows) - len(rows)
    figures = [
        *_missing(rows, fits, level),
        *_ratios(rows, fits, not_counted, floor, level),
        *_curve(fits, floor, level),
        *_ages(rows, level),
        *check_figures(fits, floor, level),
    ]
    if recurrent:
        every = model_spells(registry, every_session=True, as_of=as_of, most_patients=most_patients)
        figures += _recurrent(rows, plan.kept(every.rows), every, not_counted, fits, floor, level)
    curve = next((one for one in fits.used if one.knots), None)
    shown = fits.ratios(design.contrasts(fits.used), level, of_imputed=True) if fits.completed else []
    return NextSessionModel(
        figures=tuple(figures),
        remarks=fits.remarks,
        spells=len(rows),
        patients=first.patients,
        events=int(rows["had_event"].sum()),
        columns=len(fits.first_fit.names),
        complete=fits.without_gap,
        sets=len(fits.completed),
        knots=curve.knots if curve else (),
        lost=max((ratio.missing_information for ratio in shown), default=0.0),
    )


def _missing(rows: pl.DataFrame, fits: Fits, level: float) -> Iterator[Figure]:
    """Of each covariate, also of those left out: how many spells lack it, or have "unknown" as their level."""
    left_out = [remark.covariate for remark in fits.remarks if remark.kind in ("mostly_missing", "no_estimate")]
    for name in dict.fromkeys((*(one.name for one in fits.used), *(name for name in left_out if name in rows.columns))):
        lacking = rows[name].null_count() + rows.filter(pl.col(name).cast(pl.String) == UNKNOWN).height
        yield Figure(
            MISSING,
            n=len(rows),
            n_unit="patients",
            n_clusters=len(rows),
            method="count",
            group={"covariate": name},
            estimate=lacking / len(rows),
            level=level,
            events=lacking,
        )


def _ratios(
    rows: pl.DataFrame, fits: Fits, not_counted: Mapping[str, int], floor: int, level: float
) -> Iterator[Figure]:
    contrasts = design.contrasts(fits.used)
    if fits.completed:
        for ratio in fits.ratios(contrasts, level, of_imputed=True):
            yield _ratio_figure(IMPUTED, ratio, fits.completed[0], fits, floor, level, not_counted)
    if fits.complete:
        reasons = _with_gaps(not_counted, len(rows), fits.without_gap, fits.complete.n)
        for ratio in fits.ratios(contrasts, level, of_imputed=False):
            yield _ratio_figure(COMPLETE, ratio, fits.complete, fits, floor, level, reasons)


def _with_gaps(not_counted: Mapping[str, int], spells: int, without_gap: int, fitted: int) -> dict[str, int]:
    """The spells not counted, with those that have a gap, and those left out with a level without an event."""
    more = {"covariate_missing": spells - without_gap, "not_counted": without_gap - fitted}
    return {
        **not_counted,
        **{reason: not_counted.get(reason, 0) + count for reason, count in more.items() if count},
    }


def _ratio_figure(
    analysis: str,
    ratio: Ratio,
    fit: CoxFit,
    fits: Fits,
    floor: int,
    level: float,
    not_counted: Mapping[str, int],
    unit: str = "patients",
) -> Figure:
    """One ratio. n, events: of the whole model; too_few where the level itself is small.

    A ratio whose limits lie beyond a thousandfold is one that the records do not tell: it is not shown.
    """
    told = max(abs(ratio.lower), abs(ratio.upper)) <= _LARGEST_LOG_RATIO
    contrast = ratio.contrast
    counts = next((one.counts for one in fits.used if one.name == contrast.covariate), None)
    n, events = counts[contrast.level] if counts else (fit.n, fit.events)
    named = {"analysis": analysis, "covariate": contrast.covariate, "level": contrast.level}
    if contrast.against:
        named["against"] = contrast.against
    return Figure(
        HAZARD_RATIO,
        group=named,
        estimate=float(np.exp(ratio.log_ratio)) if told else None,
        lower=float(np.exp(ratio.lower)) if told else None,
        upper=float(np.exp(ratio.upper)) if told else None,
        level=level,
        n=fit.n,
        n_unit=unit,
        n_clusters=fit.n_clusters,
        events=fit.events,
        at_risk=n,
        not_counted=not_counted,
        method=_METHODS.get(analysis, "cox_efron_robust"),
        flags=("too_few",) if not told or n < floor or events < LEAST_EVENTS else (),
    )


_LARGEST_LOG_RATIO = math.log(1000.0)
_METHODS: Mapping[str, str] = {
    IMPUTED: "cox_efron_robust_imputed",
    DEATH_COMPETING: "fine_gray_robust",
}


def _curve(fits: Fits, floor: int, level: float) -> Iterator[Figure]:
    """The curve of age, year by year between the 5th and the 95th percentile: method tells it from the table."""
    curve = next((one for one in fits.used if one.knots), None)
    if curve is None:
        return
    at = [float(value) for value in range(int(np.ceil(curve.low)), int(curve.high) + 1)]
    imputed = bool(fits.completed)
    fit = fits.first_fit
    for ratio in fits.ratios(design.contrasts(fits.used, at), level, of_imputed=imputed):
        figure = _ratio_figure(IMPUTED if imputed else COMPLETE, ratio, fit, fits, floor, level, {})
        named = {"analysis": "curve", **{name: value for name, value in figure.group.items() if name != "analysis"}}
        yield Figure(
            HAZARD_RATIO,
            group=named,
            estimate=figure.estimate,
            lower=figure.lower,
            upper=figure.upper,
            level=level,
            n=figure.n,
            n_unit=figure.n_unit,
            n_clusters=figure.n_clusters,
            events=figure.events,
            method=figure.method,
        )


def _ages(rows: pl.DataFrame, level: float) -> Iterator[Figure]:
    name = "age_at_first_surgery_years"
    counts = rows.drop_nulls(name).group_by(name).agg(pl.len()).sort(name)
    for age, count in counts.rows():
        yield Figure(
            AGES, n=count, n_unit="patients", n_clusters=count, method="count", group={name: str(age)}, level=level
        )


def _recurrent(
    first: pl.DataFrame,
    every: pl.DataFrame,
    spells: ModelSpells,
    not_counted: Mapping[str, int],
    fits: Fits,
    floor: int,
    level: float,
) -> Iterator[Figure]:
    contrasts: Sequence[design.Contrast] = design.contrasts(fits.used)
    for analysis, fit in recurrent_fits(first, every, fits.used).items():
        if fit is None:
            continue
        sessions = analysis != DEATH_COMPETING
        taken = every if sessions else first
        without_gap = taken.drop_nulls([one.name for one in fits.used]).height
        reasons = _with_gaps(spells.not_counted if sessions else not_counted, len(taken), without_gap, fit.n)
        told, weights = told_by(contrasts, fits.first_set.names, fit)
        estimates, lower, upper = limits(weights, fit, level)
        for contrast, *row in zip(told, estimates, lower, upper, strict=True):
            ratio = Ratio(contrast, *(float(value) for value in row))
            yield _ratio_figure(
                analysis, ratio, fit, fits, floor, level, reasons, "sessions" if sessions else "patients"
            )
