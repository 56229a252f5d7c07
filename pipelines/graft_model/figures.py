"""The figures of the model of graft survival."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
import polars as pl

from ..figure import Figure
from ..next_session_model.design import Contrast, contrasts, matrix
from ..next_session_model.preparing import Remark, Used
from .bend import Bend
from .covariates import DENSITY, SITE
from .fitting import GraftFits, Told
from .measures import (
    AREAS_AT,
    BEND_AT,
    BEND_P,
    COMPLETE,
    IMPUTED,
    MISSING,
    ODDS_RATIO,
    SLOPE_ABOVE,
    SLOPE_BELOW,
    YIELD_AT,
)

_POINTS, _BARS = 25, 24
_PER = 5.0


def ratio_figures(fits: GraftFits, reasons: Mapping[str, int], floor: int, level: float) -> Iterator[Figure]:
    """Odds ratios of levels and straight lines; of curves, at the ends of the middle nine tenths."""
    analyses = [(IMPUTED, True)] if len(fits.sets) > 1 else [(COMPLETE, True)]
    if fits.complete:
        analyses.append((COMPLETE, False))
    for analysis, of_imputed in analyses:
        fit = fits.fits[0] if of_imputed else fits.complete
        assert fit is not None
        lacking = {} if fit.n == len(fits.placed) else {"covariate_missing": len(fits.placed) - fit.n}
        for contrast in [one for one in contrasts(fits.used) if not _is_curve(fits, one.covariate)] + _ends(fits):
            if contrast.covariate == SITE:
                continue
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


def curve_figures(fits: GraftFits, level: float) -> Iterator[Figure]:
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


def area_figures(rows: pl.DataFrame, fits: GraftFits, level: float) -> Iterator[Figure]:
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


def bend_figures(bend: Bend | None, level: float) -> Iterator[Figure]:
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


def missing_figures(rows: pl.DataFrame, used: list[Used], remarks: list[Remark], level: float) -> Iterator[Figure]:
    """Of each covariate, also of those left out: how many areas lack it."""
    names = [one.name for one in used] + [remark.covariate for remark in remarks if remark.kind == "mostly_missing"]
    for name in (name for name in names if name != SITE):
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
