"""How yields differ between patients: a model that does not take the noise of counting for bad results."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date

import polars as pl

from registry.definition.codes import COUNT_METHOD
from registry.store import Registry

from ..estimators import BetaBinomialFit, CountsError, beta_binomial
from ..figure import Figure
from ..graft_measures import (
    ABOVE_PLACED,
    ABOVE_PLACED_UNKNOWN,
    BELOW_80,
    BELOW_90,
    BY_METHOD,
    MEAN_YIELD,
    WITHIN_PATIENT,
)
from ..groups import EVERYBODY, Chosen, chosen_fields
from .areas import Asked, not_counted, ratio_figure

_YIELDS = {BELOW_80: 0.8, BELOW_90: 0.9}


def graft_survival_model(
    registry: Registry,
    *,
    by: Sequence[str] = (),
    by_hairs: bool = False,
    window: tuple[int, int] | None = None,
    chosen: Chosen = EVERYBODY,
    as_of: date | None = None,
    level: float = 0.95,
) -> tuple[Figure, ...]:
    """Mean yield of a patient's counted areas, how alike grafts of one patient are, and how many patients yield little.

    Estimator: beta-binomial maximum likelihood, one cluster a patient (`estimators.beta_binomial`). The shares of
    patients below 80 % and 90 % are the model's: of yields as they are, not as they were counted, since a count of 40
    grafts alone scatters by some 5 %. Areas with more growing than was placed (or, by hairs, fewer than none) cannot
    enter it; how many they are is a figure of its own, and in how many of them existing hairs were not recorded, which
    is the likeliest reason. To leave them out takes the mean down a little: the ratio of `graft_survival` keeps them.
    By method of counting: the plain ratio, as methods do not read alike.
    Assumes and misleads: as `graft_survival` and `beta_binomial`. Errors of counting that all counts of a patient
    share pass for differences between patients.

    by, by_hairs, window, chosen, as_of, level: as `graft_survival`.
    Returns figures by group, then measure: n areas in n_clusters patients, at_risk what was placed in them.
    Raises: GraftledgerError as `graft_survival`.
    Source: as `beta_binomial`; yields of 80 % and 90 % are common practice, no source.
    """
    asked = Asked(registry, chosen_fields(by, registry.settings), by_hairs, window, chosen, as_of, level)
    areas, sessions = asked.table("mature_area"), asked.reasons()
    figures: list[Figure] = []
    for group, named in asked.groups(areas, sessions):
        own = asked.part(areas, group)
        reasons = not_counted(asked.part(sessions, group))
        figures += _model(own, named, reasons, asked)
        figures += _above(own, named, asked)
        figures += _by_method(own, named, asked)
    return tuple(figures)


def _model(areas: pl.DataFrame, named: Mapping[str, str], reasons: Mapping[str, int], asked: Asked) -> Iterator[Figure]:
    possible = areas.filter(pl.col("growing").is_between(0, pl.col("placed")))
    patients = possible.group_by("patient_key").agg(pl.col("growing", "placed").sum())
    fit: BetaBinomialFit | None = None
    if len(patients) > 1:
        try:
            fit = beta_binomial(
                patients["growing"].to_numpy(),
                patients["placed"].to_numpy(),
                below=tuple(_YIELDS.values()),
                level=asked.level,
            )
        except CountsError:  # nobody's counts tell a yield
            fit = None
    names = (MEAN_YIELD, WITHIN_PATIENT, *_YIELDS)
    told = dict(zip(names, (fit.mean, fit.correlation, *fit.below), strict=True)) if fit else {}
    for measure in names:
        number = told.get(measure)
        flags = ("too_few",) if len(patients) < asked.floor else ()
        if number is not None and number.estimate is None:
            flags = (*flags, "alert")  # every graft grew, or none: there is no spread to learn from
        yield Figure(
            measure,
            n=len(possible),
            n_unit="areas",
            n_clusters=len(patients),
            method="beta_binomial",
            group=named,
            estimate=number.estimate if number else None,
            lower=number.lower if number else None,
            upper=number.upper if number else None,
            level=asked.level,
            at_risk=int(possible["placed"].sum() or 0),
            not_counted=reasons,
            flags=flags,
        )


def _above(areas: pl.DataFrame, named: Mapping[str, str], asked: Asked) -> Iterator[Figure]:
    """Areas with more growing than placed, and of these the ones without a record of existing hairs."""
    one = areas.with_columns(all=pl.lit(1, pl.Int64), above=(pl.col("growing") > pl.col("placed")).cast(pl.Int64))
    above = one.filter(pl.col("above") == 1).with_columns(unknown=pl.col("existing_unknown").cast(pl.Int64))
    for measure, part, y in ((ABOVE_PLACED, one, "above"), (ABOVE_PLACED_UNKNOWN, above, "unknown")):
        if measure == ABOVE_PLACED_UNKNOWN and (asked.by_hairs or not len(above)):
            continue
        yield ratio_figure(
            part, measure, named, asked, y=y, x="all", events=int(part[y].sum()), at_risk=int(part["placed"].sum())
        )


def _by_method(areas: pl.DataFrame, named: Mapping[str, str], asked: Asked) -> Iterator[Figure]:
    for method in COUNT_METHOD.names:
        part = areas.filter(pl.col("method") == method)
        yield ratio_figure(part, BY_METHOD, {**named, "method": method}, asked)
