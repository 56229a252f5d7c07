"""What a model of what follows a session hands on: figures, and what a reader must know beside them."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import polars as pl

from ..figure import Figure
from ..next_session_model.measures import COMPLETE, IMPUTED
from ..next_session_model.preparing import LEAST_EVENTS, Remark
from .covariates import SITE
from .fitting import Analysis, Effect, Fits
from .measures import MISSING
from .sessions import ModelSessions


@dataclass(frozen=True, eq=False)
class SessionModel:
    """The model in figures.

    remarks: what was done to covariates. sessions, patients: in the model. drawn: patients taken, of of_patients.
    events: sessions with the complication; 0 where the outcome is no yes or no. columns: coefficients, sites too.
    complete: sessions without a gap. sets: imputed sets; 0 where nothing was missing. lost: largest share of
    information lost to gaps. firth: whether the likelihood was penalised.
    """

    figures: tuple[Figure, ...]
    remarks: tuple[Remark, ...]
    sessions: int
    patients: int
    drawn: int
    of_patients: int
    events: int
    columns: int
    complete: int
    sets: int
    lost: float
    firth: bool = False

    @property
    def sampled(self) -> bool:
        """Whether a sample was fitted."""
        return self.of_patients > self.drawn

    def of(self, measure: str, **group: str) -> list[Figure]:
        """The figures of a measure whose group holds these values."""
        return [
            figure
            for figure in self.figures
            if figure.measure == measure and all(figure.group.get(name) == value for name, value in group.items())
        ]


def analyses(fits: Fits, fitted: int, taken: ModelSessions) -> Iterator[tuple[str, Analysis, dict[str, int]]]:
    """Each analysis with its name and the sessions that it does not count, by reason.

    fitted: sessions without those of levels left out.
    """
    if fits.filled:
        yield IMPUTED, fits.filled, _with(taken.not_counted, {"not_counted": len(taken.rows) - fitted})
    if fits.complete:
        left_out = {"covariate_missing": fitted - fits.without_gap}
        left_out["not_counted"] = len(taken.rows) - left_out["covariate_missing"] - fits.complete.fits[0].n
        yield COMPLETE, fits.complete, _with(taken.not_counted, left_out)


def _with(not_counted: Mapping[str, int], more: Mapping[str, int]) -> dict[str, int]:
    added = {reason: not_counted.get(reason, 0) + count for reason, count in more.items() if count}
    return {**not_counted, **added}


@dataclass(frozen=True)
class Shown:
    """What the figures of a model have in common. ratio: effects are logarithms of ratios. events: told with each;
    None where the outcome is no yes or no."""

    measure: str
    method: str
    floor: int
    level: float
    ratio: bool
    events: int | None = None
    unit: str = "sessions"
    group: Mapping[str, str] = field(default_factory=dict)


def effect_figures(
    shown: Shown, analysis: str, found: Analysis, fits: Fits, effects: Sequence[Effect], not_counted: Mapping[str, int]
) -> Iterator[Figure]:
    """One figure a contrast. at_risk: rows known to have the level; too_few where the level itself is small."""
    counts = {one.name: one.counts for one in fits.used}
    for contrast, effect in zip(found.contrasts, effects, strict=True):
        values = (effect.estimate, effect.lower, effect.upper)
        estimate, lower, upper = (math.exp(value) for value in values) if shown.ratio else values
        named = {"analysis": analysis, "covariate": contrast.covariate, "level": contrast.level}
        own = counts[contrast.covariate]
        n, events = own[contrast.level] if own else (found.fits[0].n, LEAST_EVENTS)
        few = n < shown.floor or (shown.events is not None and events < LEAST_EVENTS)
        yield Figure(
            shown.measure,
            n=found.fits[0].n,
            n_unit=shown.unit,
            n_clusters=found.fits[0].n_clusters,
            method=shown.method + ("_imputed" if analysis == IMPUTED else ""),
            group={**shown.group, **named, **({"against": contrast.against} if contrast.against else {})},
            estimate=estimate,
            lower=lower,
            upper=upper,
            level=shown.level,
            events=shown.events,
            at_risk=n,
            not_counted=not_counted,
            flags=("too_few",) if few else (),
        )


def missing_figures(rows: pl.DataFrame, fits: Fits, level: float, unit: str = "sessions") -> Iterator[Figure]:
    """Of each covariate, also of those left out: how many sessions lack it."""
    left_out = [remark.covariate for remark in fits.remarks if remark.kind in ("mostly_missing", "no_estimate")]
    names: Mapping[str, None] = dict.fromkeys((*(one.name for one in fits.used), *left_out))
    for name in names:
        if name == SITE or name not in rows.columns:
            continue
        lacking = rows[name].null_count()
        yield Figure(
            MISSING,
            n=len(rows),
            n_unit=unit,
            n_clusters=rows["patient_key"].n_unique(),
            method="count",
            group={"covariate": name},
            estimate=lacking / len(rows),
            level=level,
            events=lacking,
        )
