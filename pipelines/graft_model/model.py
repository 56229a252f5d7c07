"""What graft survival goes with, as figures with remarks."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl

from registry.errors import Fault, GraftledgerError
from registry.milestones import mature_window_label
from registry.store import Registry

from ..figure import Figure
from ..graft_yield.areas import Asked, not_counted
from ..next_session_model.design import matrix
from ..next_session_model.preparing import Remark, Used
from ..regression.errors import ModelError
from .bend import Bend, fit_bend
from .covariates import DENSITY, SITE, covariates
from .figures import area_figures, bend_figures, curve_figures, missing_figures, ratio_figures
from .fitting import SETS, GraftFits, fit_graft_model
from .measures import DISPERSION
from .preparing import prepared

LEAST_PATIENTS = 40
"""Fewer patients, and errors by patient cannot be trusted (common practice, no source)."""


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
    technique, holding solution, calibre, curl, smoking, method of counting; each site has its own level, not shown.
    Counts above what was placed stay in (`fit_quasi_binomial` asks nothing of them). Missing covariates are filled in
    several times, beside areas without a gap. The bend in density is looked for in the first filled-in set, with all
    other covariates as they are.
    Assumes: effects add up on the log odds; what is missing is missing at random given the records; areas counted are
    like those not counted. Ratios tell who differs, given the rest; they are no effects: a surgeon places densely where
    it promises to grow. Misleads in small registries, by chance: some dozen ratios are looked at.

    as_of: what happened later is ignored. sets: of filled-in values.
    Raises: GraftledgerError where fewer than 40 patients have a mature count, or nothing differs between areas.
    """
    asked = Asked(registry, (), as_of=as_of, level=level)
    rows, sessions = asked.table("graft_model_area"), asked.reasons()
    patients, when = rows["patient_key"].n_unique(), mature_window_label(registry.settings.mature_window)
    if patients < LEAST_PATIENTS:
        raise GraftledgerError(
            Fault(
                f"{patients} patient(s) have a mature graft count; the model of graft survival needs at least "
                f"{LEAST_PATIENTS}.",
                mend=f"Mark areas at surgery and count them {when} later, or take in more records.",
            )
        )
    floor = registry.settings.floor_denominator
    used, remarks = prepared(rows, covariates(registry.settings), floor)
    try:
        if all(one.name == SITE for one in used):
            raise ModelError("nothing that is recorded differs between areas")
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
        *ratio_figures(fits, reasons, floor, level),
        *curve_figures(fits, level),
        *area_figures(rows, fits, level),
        *bend_figures(bend, level),
        *missing_figures(rows, used, remarks, level),
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
