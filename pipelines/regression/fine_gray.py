"""Fine and Gray's model: how covariates shift the share that has one kind of event, another kind competing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from .cox import CoxFit, fit_cox
from .errors import ModelError
from .spells import Floats, Ints, Spells


def fit_fine_gray(spells: Spells, competing: npt.NDArray[np.bool_]) -> CoxFit:
    """Ratios of the subdistribution hazard, by weights: whoever had the competing event stays at risk, and counts
    by the chance of still being followed.

    A ratio here says how a covariate goes with the *share* that has the event; it is no ratio of rates, and a
    covariate that only hastens the competing event shows one below 1. Censoring must carry no news of either event;
    its distribution is estimated by stratum. No delayed entry. Robust variance, weights taken as known.
    competing: (n,) whether the spell ended in the competing event (its `event` is then False).
    Raises: ModelError with delayed entry, or where a spell ends in both.
    Source: Fine & Gray 1999, JASA 94:496-509; Geskus 2011, Biometrics 67:39-49 (the weights).
    """
    if np.isfinite(spells.entry).any():
        raise ModelError("Fine and Gray's model is not fitted under delayed entry")
    if (spells.event & competing).any():
        raise ModelError("a spell ends in both kinds of event")
    parts = []
    for stratum in np.unique(spells.stratum):
        parts.append(_weighted(spells, competing, np.flatnonzero(spells.stratum == stratum)))
    rows, entry, exits, event, weight = (np.concatenate(part) for part in zip(*parts, strict=True))
    stretched = spells.taken(rows)
    fit = fit_cox(
        Spells(
            stretched.x,
            spells.names,
            entry,
            exits,
            event,
            stretched.stratum,
            stretched.cluster,
            stretched.weight * weight,
        )
    )
    return replace(fit, n=spells.size)


def _weighted(
    spells: Spells, competing: npt.NDArray[np.bool_], rows: Ints
) -> tuple[Ints, Floats, Floats, npt.NDArray[np.bool_], Floats]:
    """The spells of a stratum, and for each that ended in the competing event its stretches afterwards with weights."""
    exits, event, ended = spells.exit[rows], spells.event[rows], competing[rows]
    plain = (rows, np.full(len(rows), -np.inf), exits, event, np.ones(len(rows)))
    day = np.unique(exits[event])
    if not day.size or not ended.any():
        return plain
    lost_day, followed = _followed(spells, rows, ~event & ~ended)

    def before(days: Floats) -> Floats:
        return np.asarray(followed[np.searchsorted(lost_day, days, side="left")])

    # days between which nobody is lost share a weight, so that each stretch covers all of them
    share = before(day)
    last_of_stretch = np.append(np.flatnonzero(np.diff(share) != 0), len(day) - 1)
    ends, values = day[last_of_stretch], share[last_of_stretch]
    own = np.flatnonzero(ended)
    first = np.searchsorted(ends, exits[own], side="right")
    counts = len(ends) - first
    whose = np.repeat(own, counts)
    stretch = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts) + np.repeat(first, counts)
    start = np.maximum(exits[whose], np.concatenate([[-np.inf], ends])[stretch])
    weight = values[stretch] / before(exits)[whose]
    later = (rows[whose], start, ends[stretch], np.zeros(len(whose), dtype=bool), weight)
    kept = weight > 0
    return tuple(np.concatenate([one, other[kept]]) for one, other in zip(plain, later, strict=True))  # type: ignore[return-value]


def _followed(spells: Spells, rows: Ints, lost: npt.NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Days on which somebody is lost, and the share still followed before the first and after each of them.

    Whoever has an event on a day is no longer at risk of being lost on it.
    """
    exits, weight = spells.exit[rows], spells.weight[rows]
    day, place = np.unique(exits, return_inverse=True)
    gone = np.bincount(place, weight * lost, len(day))
    at_risk = np.cumsum(np.bincount(place, weight, len(day))[::-1])[::-1] - np.bincount(place, weight * ~lost, len(day))
    some = gone > 0
    return day[some], np.concatenate([[1.0], np.cumprod(1 - gone[some] / at_risk[some])])
