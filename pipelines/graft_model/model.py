"""What graft survival depends on, as figures with remarks."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl

from registry.errors import Fault, GraftledgerError
from registry.store import Registry

from ..figure import Figure
from ..graft_yield.areas import Asked, not_counted
from ..next_session_model.design import Contrast, contrasts, matrix
from ..next_session_model.preparing import Remark, Used
from ..regression.errors import ModelError
from .bend import Bend, fit_bend
from .covariates import DENSITY, covariates
from .fitting import SETS, GraftFits, Told, fit_graft_model
from .measures import (
    AREAS_AT,
    BEND_AT,
    BEND_P,
    COMPLETE,
    DISPERSION,
    IMPUTED,
    MISSING,
    ODDS_RATIO,
    SLOPE_ABOVE,
    SLOPE_BELOW,
    YIELD_AT,
)
from .preparing import prepared

LEAST_PATIENTS = 40
"""Fewer patients, and errors by patient cannot be trusted (common practice, no source)."""
_POINTS, _BARS = 25, 24
_PER = 5.0


@dataclass(frozen=True, eq=False)
class GraftModel:
    """The model in figures, and what a reader must know beside them.

    areas, patients: fitted. sets: imputed sets, 0 where nothing was missing. without_gap: areas of which everything
    is known. above_placed: areas with more growing than placed. bend: None where density takes too few values or is
    not in the model.
    """

    figures: tuple[Figure, ...]
    remarks: tuple[Remark, ...]
    used: tuple[Used, ...]
    areas: int
    patients: int
    placed: int
    sets: int
    without_gap: int
    above_placed: int
    bend: Bend | None

    def of(self, measure: str, **group: str) -> list[Figure]:
        """The figures of a measure whose group holds these values."""
        return [
            figure
            for figure in self.figures
            if figure.measure == measure and all(figure.group.get(name) == value for name, value in group.items())
        ]


def graft_model(registry: Registry, *, as_of: date | None = None, level: float = 0.95, sets: int = SETS) -> GraftModel:
    """What the yield of marked areas of the scalp goes with: logistic regression of mature counts, errors by patient.

    Covariates: density placed in the area, out-of-body time, session size (smooth curves), transection, zone,
    technique, holding solution, calibre, curl, smoking, method of counting, site. Counts above what was placed stay in
    (`fit_quasi_binomial` asks nothing of them). Missing covariates are filled in several times, beside areas without a
    gap. The bend in density is looked for in the first filled-in set, with all other covariates as they are.
    Assumes: effects add up on the log odds; what is missing is missing at random given the records; areas counted are
    like those not counted. Ratios tell who differs, given the rest; they are no effects: a surgeon places densely where
    it promises to grow. Misleads in small registries, by chance: some dozen ratios are looked at.

    as_of: what happened later is ignored. sets: of filled-in values.
    Raises: GraftledgerError where fewer than 40 patients have a mature count, or nothing differs between areas.
    """
    asked = Asked(registry, (), as_of=as_of, level=level)
    rows, sessions = asked.table("graft_model_area"), asked.table("growth")
    patients = rows["patient_key"].n_unique()
    if patients < LEAST_PATIENTS:
        raise GraftledgerError(
            Fault(
                f"{patients} patient(s) have a mature graft count; what survival depends on needs at least "
                f"{LEAST_PATIENTS}.",
                mend="Mark areas at surgery and count them 10 to 18 months later, or take in more records.",
            )
        )
    floor = registry.settings.floor_denominator
    used, remarks = prepared(rows, covariates(registry.settings), floor)
    try:
        fits = fit_graft_model(rows, used, sets)
    except ModelError as problem:
        raise GraftledgerError(
            Fault(
                f"the model cannot be fitted: {problem}.",
                mend="Areas must differ in at least one covariate, and not every graft grow, nor none.",
            )
        ) from None
    reasons = not_counted(sessions)
    bend = _bend(rows, fits, level)
    figures = [
        *_ratios(fits, reasons, floor, level),
        *_curves(fits, level),
        *_areas_by_value(rows, fits, level),
        *_bend_figures(bend, level),
        *_missing(rows, used, remarks, level),
        Figure(
            DISPERSION,
            n=len(rows),
            n_unit="areas",
            n_clusters=patients,
            method="pearson",
            estimate=fits.fits[0].dispersion,
            level=level,
        ),
    ]
    return GraftModel(
        tuple(figures),
        tuple(remarks),
        tuple(used),
        len(rows),
        patients,
        int(rows["placed"].sum()),
        len(fits.sets) if len(fits.sets) > 1 else 0,
        fits.without_gap,
        rows.filter(pl.col("growing") > pl.col("placed")).height,
        bend,
    )


def _ratios(fits: GraftFits, reasons: dict[str, int], floor: int, level: float) -> Iterator[Figure]:
    """Odds ratios of levels and straight lines; of curves, at the ends of the middle nine tenths."""
    analyses = [(IMPUTED, True)] if len(fits.sets) > 1 else [(COMPLETE, True)]
    if fits.complete:
        analyses.append((COMPLETE, False))
    for analysis, of_imputed in analyses:
        fit = fits.fits[0] if of_imputed else fits.complete
        assert fit is not None
        lacking = {} if fit.n == len(fits.placed) else {"covariate_missing": len(fits.placed) - fit.n}
        for contrast in [one for one in contrasts(fits.used) if not _is_curve(fits, one.covariate)] + _ends(fits):
            told = fits.ratio(contrast.weights, level, of_imputed=of_imputed)
            own = fits.areas_in(contrast.covariate, contrast.level, of_imputed=of_imputed)
            at_risk = fit.n if own is None else own
            named = {"analysis": analysis, "covariate": contrast.covariate, "level": contrast.level}
            if contrast.against:
                named["against"] = contrast.against
            yield Figure(
                ODDS_RATIO,
                n=fit.n,
                n_unit="areas",
                n_clusters=fit.n_clusters,
                method="quasi_binomial_clustered" + ("_imputed" if analysis == IMPUTED else ""),
                group=named,
                estimate=told.estimate,
                lower=told.lower,
                upper=told.upper,
                level=level,
                at_risk=at_risk,
                not_counted=lacking or reasons,
                flags=("too_few",) if at_risk < floor else (),
            )


def _is_curve(fits: GraftFits, name: str) -> bool:
    return any(one.name == name and one.covariate.kind == "curve" for one in fits.used)


def _ends(fits: GraftFits) -> list[Contrast]:
    """Of each curve: the 95th percentile against the 5th."""
    found = []
    for one in fits.used:
        if one.covariate.kind != "curve":
            continue
        low, high = round(one.low), round(one.high)
        columns = matrix({one.name: np.array([float(high), float(low)])}, [one])[0]
        weights = np.zeros(sum(len(places) for places in fits.places.values()))
        weights[fits.places[one.name]] = columns[0] - columns[1]
        found.append(Contrast(one.name, f"{high:g}", f"{low:g}", weights))
    return found


def _curves(fits: GraftFits, level: float) -> Iterator[Figure]:
    """Yield along each curve, between the 5th and the 95th percentile of the areas."""
    for one in fits.used:
        if one.covariate.kind != "curve":
            continue
        for value in np.linspace(one.low, one.high, _POINTS):
            told = fits.yield_at(one.name, float(value), level)
            yield _of_model(YIELD_AT, fits, {"covariate": one.name, "level": f"{value:.4g}"}, told, level)


def _of_model(measure: str, fits: GraftFits, named: dict[str, str], told: Told, level: float) -> Figure:
    return Figure(
        measure,
        n=fits.fits[0].n,
        n_unit="areas",
        n_clusters=fits.fits[0].n_clusters,
        method="quasi_binomial_standardised",
        group=named,
        estimate=told.estimate,
        lower=told.lower,
        upper=told.upper,
        level=level,
    )


def _areas_by_value(rows: pl.DataFrame, fits: GraftFits, level: float) -> Iterator[Figure]:
    """How many areas lie where on each curve, for the bars under it."""
    for one in fits.used:
        if one.covariate.kind != "curve":
            continue
        values = rows[one.name].drop_nulls().to_numpy().astype(float)
        counts, edges = np.histogram(values, bins=_BARS)
        for count, left, right in zip(counts, edges[:-1], edges[1:], strict=True):
            if count:
                middle = f"{(left + right) / 2:.4g}"
                named = {"covariate": one.name, "level": middle}
                yield Figure(AREAS_AT, n=int(count), n_unit="areas", method="count", group=named, level=level)


def _bend(rows: pl.DataFrame, fits: GraftFits, level: float) -> Bend | None:
    if not any(one.name == DENSITY for one in fits.used):
        return None
    others = [one for one in fits.used if one.name != DENSITY]
    values = fits.sets[0]
    columns = np.column_stack([np.ones(len(rows)), matrix(values, others)[0]]) if others else np.ones((len(rows), 1))
    try:
        return fit_bend(values[DENSITY], columns, fits.growing, fits.placed, fits.cluster, level=level)
    except ModelError:
        return None


def _bend_figures(bend: Bend | None, level: float) -> Iterator[Figure]:
    """Where yield falls; no number where the records do not speak for a bend."""
    if bend is None:
        return
    told = bend.found
    below, above = (np.exp(_PER * np.array(slope)) for slope in (bend.below, bend.above))
    for measure, method, numbers in (
        (BEND_AT, "broken_stick_bootstrap", (bend.at, bend.lower, bend.upper) if told else (None, None, None)),
        (BEND_P, "sup_score", (bend.p, None, None)),
        (SLOPE_BELOW, "broken_stick", below if told else (None, None, None)),
        (SLOPE_ABOVE, "broken_stick", above if told else (None, None, None)),
    ):
        estimate, lower, upper = (None if number is None else float(number) for number in numbers)
        yield Figure(
            measure,
            n=bend.n,
            n_unit="areas",
            n_clusters=bend.n_clusters,
            method=method,
            group={"covariate": DENSITY, "from": f"{bend.low:.4g}", "to": f"{bend.high:.4g}"},
            estimate=estimate,
            lower=lower,
            upper=upper,
            level=level,
        )


def _missing(rows: pl.DataFrame, used: list[Used], remarks: list[Remark], level: float) -> Iterator[Figure]:
    names = [one.name for one in used] + [remark.covariate for remark in remarks if remark.kind == "mostly_missing"]
    for name in names:
        lacking = rows[name].null_count()
        yield Figure(
            MISSING,
            n=len(rows),
            n_unit="areas",
            n_clusters=rows["patient_key"].n_unique(),
            method="count",
            group={"covariate": name},
            estimate=lacking / len(rows),
            level=level,
            events=lacking,
        )
