"""What a model of what follows a session hands on: figures, and what a reader must know beside them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl

from ..figure import Figure
from ..next_session_model.measures import COMPLETE, IMPUTED
from ..next_session_model.preparing import LEAST_EVENTS, Remark
from .covariates import SITE
from .fitting import Analysis, Fits
from .measures import MISSING
from .sessions import ModelSessions


@dataclass(frozen=True, eq=False)
class SessionModel:
    """The model in figures.

    remarks: what was done to covariates. sessions, patients: in the model. of_patients: of how many they were drawn.
    events: sessions with the complication; 0 where the outcome is no yes or no. columns: coefficients, sites too.
    complete: sessions without a gap. sets: imputed sets; 0 where nothing was missing. lost: largest share of
    information lost to gaps. firth: whether the likelihood was penalised.
    """

    figures: tuple[Figure, ...]
    remarks: tuple[Remark, ...]
    sessions: int
    patients: int
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
        return self.of_patients > self.patients

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


def contrast_group(analysis: str, covariate: str, level: str, against: str) -> dict[str, str]:
    """The group of a figure of one contrast."""
    named = {"analysis": analysis, "covariate": covariate, "level": level}
    return {**named, "against": against} if against else named


def counted(
    analysis: Analysis, fits: Fits, covariate: str, level: str, floor: int, *, by_events: bool
) -> dict[str, Any]:
    """n and what goes with it. at_risk: sessions known to have the level. too_few: where the level is small."""
    counts = next((one.counts for one in fits.used if one.name == covariate), None)
    n, events = counts[level] if counts else (analysis.fits[0].n, floor)
    few = n < floor or (by_events and counts is not None and events < LEAST_EVENTS)
    return {
        "n": analysis.fits[0].n,
        "n_unit": "sessions",
        "n_clusters": analysis.fits[0].n_clusters,
        "at_risk": n,
        "flags": ("too_few",) if few else (),
    }


def missing_figures(rows: pl.DataFrame, fits: Fits, level: float) -> Iterator[Figure]:
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
            n_unit="sessions",
            n_clusters=rows["patient_key"].n_unique(),
            method="count",
            group={"covariate": name},
            estimate=lacking / len(rows),
            level=level,
            events=lacking,
        )
