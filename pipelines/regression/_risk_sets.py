"""Sums over risk sets, from which the partial likelihood and all that follows from it are made.

Everything is by array, stratum by stratum: cost grows with spells times columns, whatever the number of events. The
trick: a sum over events of a sum over those at risk is turned around, so that each spell takes the cumulative hazard
between its entry and its exit instead of one term an event.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from .spells import Floats, Ints, Spells

_WIDEST = 300.0
"""Largest linear predictor, either way, that is told apart."""


@dataclass(frozen=True, eq=False)
class Stratum:
    """The risk sets of one stratum at given coefficients. Event rows stand by day.

    rows: (m,) its spells in the whole. day: (k,) distinct days with an event, ascending.
    share: (e,) Efron's share m/d already taken out of the risk set, one row an event; at: (e,) its day's place.
    step: (e,) hazard of each event row. mean: (e, p) weighted mean of the covariates in its risk set.
    weight: (e,) mean weight of the events on its day. denominator: (e,) the weighted risk set.
    risk: (m,) weight times exp(linear predictor).
    """

    rows: Ints
    day: Floats
    share: Floats
    at: Ints
    step: Floats
    mean: Floats
    weight: Floats
    denominator: Floats
    risk: Floats

    def by_day(self, values: Floats) -> Floats:
        """Sums over the event rows of each day."""
        return np.asarray(np.add.reduceat(values, np.flatnonzero(self.share == 0), axis=0))

    def between(self, spells: Spells, by_day: Floats) -> Floats:
        """For each spell of the stratum, the sum over the days after its entry up to its exit."""
        running = np.concatenate([np.zeros((1, *by_day.shape[1:])), np.cumsum(by_day, axis=0)])
        last = np.searchsorted(self.day, spells.exit[self.rows], side="right")
        first = np.searchsorted(self.day, spells.entry[self.rows], side="right")
        return np.asarray(running[last] - running[first])

    def own_day(self, spells: Spells) -> tuple[Ints, Ints]:
        """The spells that end in an event, by their place within the stratum, and the places of their days."""
        own = np.flatnonzero(spells.event[self.rows])
        return own, np.searchsorted(self.day, spells.exit[self.rows[own]])


def strata(spells: Spells, x: Floats, predictor: Floats) -> Iterator[Stratum]:
    """The risk sets of every stratum with an event, ties after Efron.

    x: (n, p) covariates, centred by the caller for the sake of rounding. predictor: (n,) linear predictor.
    Source: Efron 1977, JASA 72:557-565; Therneau & Grambsch 2000, Modeling Survival Data, section 3.3.
    """
    order = np.argsort(spells.stratum, kind="stable")
    edges = np.flatnonzero(np.diff(spells.stratum[order])) + 1
    for rows in np.split(order, edges):
        if spells.event[rows].any():
            yield _stratum(spells, x, predictor, rows)


def _stratum(spells: Spells, x: Floats, predictor: Floats, rows: Ints) -> Stratum:
    exits, entries = spells.exit[rows], spells.entry[rows]
    # beyond, a ratio has no bound anyway, and numbers would overflow
    risk = spells.weight[rows] * np.exp(np.clip(predictor[rows], -_WIDEST, _WIDEST))
    stacked = np.column_stack([risk, risk[:, None] * x[rows]])
    own = np.flatnonzero(spells.event[rows])
    own = own[np.argsort(exits[own], kind="stable")]
    day, first, at_own, tied = np.unique(exits[own], return_index=True, return_inverse=True, return_counts=True)
    sums = _from_above(stacked, exits, day)
    late = np.flatnonzero(np.isfinite(entries))
    if late.size:
        sums = sums - _from_above(stacked[late], entries[late], day)
    ending = np.add.reduceat(stacked[own], first, axis=0)
    # who has the event is at risk of it: where large risks have entered and left, rounding may say less
    sums[:, 0] = np.maximum(sums[:, 0], ending[:, 0])
    mean_weight = np.bincount(at_own, spells.weight[rows[own]], len(day)) / tied
    at = np.repeat(np.arange(len(day)), tied)
    number = np.arange(len(at)) - np.repeat(np.cumsum(tied) - tied, tied)
    share = number / tied[at]
    left = sums[at] - share[:, None] * ending[at]
    weight = mean_weight[at]
    denominator = left[:, 0]
    return Stratum(rows, day, share, at, weight / denominator, left[:, 1:] / left[:, :1], weight, denominator, risk)


def _from_above(stacked: Floats, days: Floats, at: Floats) -> Floats:
    """For each of the days `at`, the sum over rows whose day is that one or later."""
    order = np.argsort(days, kind="stable")
    sorted_days = days[order]
    running = np.concatenate([np.cumsum(stacked[order][::-1], axis=0)[::-1], np.zeros((1, stacked.shape[1]))])
    place = np.searchsorted(sorted_days, at, side="left")
    return np.asarray(running[place])
