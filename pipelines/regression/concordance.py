"""How often the one whom a model gives the higher hazard is the one with the earlier event."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from ._rank_sums import RankSums
from .spells import Bools, Floats, Ints, Spells

Kind = Literal["harrell", "uno"]


@dataclass(frozen=True)
class Concordance:
    """c: 0-1, 0.5 where the model tells nothing. standard_error: by patient; None where there is no pair.

    pairs: pairs that can be compared.
    """

    c: float | None
    standard_error: float | None
    pairs: float


def concordance(
    spells: Spells, predictor: Floats, kind: Kind = "harrell", up_to_days: float | None = None
) -> Concordance:
    """Share of comparable pairs in the right order; ties of the predictor count one half.

    A pair: one with an event, and one of the same stratum at risk then and still without the event after that day
    (whoever is censored on the day counts as later). Delayed entry is allowed for: whoever enters later is no partner.
    harrell: every pair counts once. Its value depends on how long people were followed. uno: a pair counts by one
    over the square of the share not yet censored just before the event, so that the value does not; it needs
    censoring that carries no news of the hazard, no delayed entry, and an end day while some are still followed.
    Standard error: infinitesimal jackknife by cluster, the censoring weights taken as known.
    Misleads as a measure of use: it tells of order, not of size, and looks better on the patients that the model
    learnt from.
    predictor: (n,) higher for a higher hazard. up_to_days: events after it are not counted.
    Raises: ValueError for uno with delayed entry.
    Source: Harrell et al. 1982, JAMA 247:2543-2546; Uno et al. 2011, Stat Med 30:1105-1117; Therneau & Watson 2017,
    Mayo technical report 85 (the standard error).
    """
    if kind == "uno" and np.isfinite(spells.entry).any():
        raise ValueError("Uno's c is not defined under delayed entry")
    chosen = spells.event & (spells.exit <= (np.inf if up_to_days is None else up_to_days))
    worth = spells.weight.copy()
    if kind == "uno":
        worth[chosen] /= _still_followed(spells)[chosen] ** 2
    right, pairs = np.zeros(spells.size), np.zeros(spells.size)
    total_right = total_pairs = 0.0
    for stratum in np.unique(spells.stratum):
        rows = np.flatnonzero(spells.stratum == stratum)
        own_right, own_pairs, back_right, back_pairs = _pairs(spells, predictor, chosen, worth, rows)
        right[rows] += own_right + back_right
        pairs[rows] += own_pairs + back_pairs
        total_right += float(own_right.sum())
        total_pairs += float(own_pairs.sum())
    if total_pairs <= 0:
        return Concordance(None, None, 0.0)
    c = total_right / total_pairs
    _, place = np.unique(spells.cluster, return_inverse=True)
    pull = np.bincount(place, (right - c * pairs) / total_pairs)
    return Concordance(c, float(np.sqrt((pull**2).sum())), total_pairs)


def _pairs(
    spells: Spells, predictor: Floats, chosen: Bools, worth: Floats, rows: Ints
) -> tuple[Floats, Floats, Floats, Floats]:
    """Right pairs and all pairs of each spell of a stratum: as the one with the event, and as the later one."""
    exits, entries, event = spells.exit[rows], spells.entry[rows], spells.event[rows]
    _, rank = np.unique(predictor[rows], return_inverse=True)
    weight = spells.weight[rows]
    starts = np.flatnonzero(chosen[rows])
    own_right, own_pairs = np.zeros(len(rows)), np.zeros(len(rows))
    back_right, back_pairs = np.zeros(len(rows)), np.zeros(len(rows))
    # later ones: whoever ends after the day; censored on the day counts as after it
    ending = np.where(event, exits, exits + 0.5)
    for sign, days in ((1.0, ending), (-1.0, entries)):
        if sign < 0 and not np.isfinite(entries).any():
            continue
        order = np.argsort(days, kind="stable")
        after = np.searchsorted(days[order], exits[starts], side="right" if sign > 0 else "left")
        below, equal = RankSums(rank[order], weight[order]).below_and_equal(
            after, np.full(len(starts), len(rows)), rank[starts]
        )
        running = np.append(np.cumsum(weight[order][::-1])[::-1], 0.0)
        own_right[starts] += sign * worth[rows[starts]] * (below + equal / 2)
        own_pairs[starts] += sign * worth[rows[starts]] * running[after]
        # the same pairs seen from the later one: events before its end (its entry) with a higher predictor
        first = np.argsort(exits[starts], kind="stable")
        before = np.searchsorted(exits[starts][first], days, side="left" if sign > 0 else "right")
        held = worth[rows[starts]][first]
        lower, same = RankSums(rank[starts][first], held).below_and_equal(
            np.zeros(len(rows), dtype=np.int64), before, rank
        )
        sums = np.concatenate([[0.0], np.cumsum(held)])[before]
        back_right += sign * weight * (sums - lower - same / 2)
        back_pairs += sign * weight * sums
    return own_right, own_pairs, back_right, back_pairs


def _still_followed(spells: Spells) -> Floats:
    """Share not yet censored just before each spell's end, over all strata: product limit with roles exchanged.

    Whoever has an event on a day is no longer at risk of being censored on it.
    """
    day, place = np.unique(spells.exit, return_inverse=True)
    lost = np.bincount(place, spells.weight * ~spells.event, len(day))
    events = np.bincount(place, spells.weight * spells.event, len(day))
    from_day = np.cumsum((lost + events)[::-1])[::-1]
    at_risk = from_day - events
    share = np.cumprod(1 - np.divide(lost, at_risk, out=np.zeros(len(day)), where=at_risk > 0))
    return np.asarray(np.concatenate([[1.0], share])[place])
