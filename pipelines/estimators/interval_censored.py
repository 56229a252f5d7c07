"""Turnbull: the share in whom something is still present, where its end is only known to lie between two looks."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipelines.estimators.counts import Ints
from pipelines.estimators.interval_likelihood import MassFit, fitted_masses
from pipelines.estimators.intervals import NOT_ENDED, Intervals, checked_intervals
from pipelines.estimators.limits import Floats

# At this the log-likelihood lies within this much of its maximum, for each person counted.
TOLERANCE = 1e-10


@dataclass(frozen=True, eq=False)
class TurnbullCurve:
    """The estimate as mass on m innermost intervals, ascending: between them it is flat, inside them it is not known.

    left, right: (m,) days; the mass lies in (left, right], and right is NOT_ENDED for what was not seen to end.
    mass: (m,) shares that add up to 1. log_likelihood: of all counted. gap: at most so much, for each person, is
    missing from the highest log-likelihood there is. iterations: steps made. intervals: what it rests on.
    """

    left: Ints
    right: Ints
    mass: Floats
    log_likelihood: float
    gap: float
    iterations: int
    intervals: Intervals

    def bounds(self, at_days: Ints) -> tuple[Floats, Floats]:
        """Least and most that may still have it once each of these days is over, 0-1."""
        ended = np.concatenate([[0.0], np.cumsum(self.mass)])
        surely = np.searchsorted(self.right, at_days, side="right")
        perhaps = np.searchsorted(self.left, at_days, side="left")
        return np.clip(1.0 - ended[perhaps], 0.0, 1.0), np.clip(1.0 - ended[surely], 0.0, 1.0)

    def _ended_by(self, days: Ints) -> Floats:
        """Share that has ended for sure by each of these days, 0-1."""
        return 1.0 - self.bounds(days)[1]


@dataclass(frozen=True)
class PresenceEstimate:
    """Share in whom it is still present once a day is over.

    least, most: both bounds of the estimate, 0-1; they differ where the day lies inside an innermost interval.
    None past the last look. ended: known to have ended by the day. followed: looked at on the day or later, and not
    known to have ended before. lost: neither.
    """

    at_days: int
    least: float | None
    most: float | None
    ended: int
    followed: int
    lost: int

    @property
    def beyond_follow_up(self) -> bool:
        return self.most is None


def turnbull(table: pl.DataFrame) -> TurnbullCurve:
    """Non-parametric maximum likelihood for durations whose end lies in (left, right].

    Estimator: mass on the innermost intervals (a left end directly followed by a right end), by steps of EM and of
    the iterative convex minorant in turn, to a Kuhn-Tucker gap of TOLERANCE. Cost depends on how many distinct
    intervals there are, not on how many people.
    Assumes: when somebody is looked at carries no news of the duration beyond what earlier looks found; a look tells
    the truth; what has gone stays away. Misleads where complaints bring people in (they are found with it more often
    than chance looks would find them) and where the well stop coming. Where mass sits inside an interval is not
    known, only how much: read both bounds. With looks on any day it approaches the truth slowly (with the cube root
    of the number of people), and an ordinary bootstrap of it is then not valid; see `presence_with_limits`.
    In rare tables the masses are not unique; the log-likelihood and the fit to every interval are. Where counts differ
    by many orders of magnitude it stops when rounding leaves nothing to gain: the gap says how near it came.
    table: left_day, right_day (empty: not seen to end), n; see `checked_intervals`. No rows, or n of 0: no masses.
    Raises: CountsError, as `checked_intervals`.
    Source: Turnbull 1976, J R Stat Soc B 38:290-295; Gentleman & Geyer 1994, Biometrika 81:618-623 (when it is the
    maximum); Wellner & Zhan 1997, JASA 92:945-959 (the steps).

    >>> curve = turnbull(pl.DataFrame({"left_day": [0, 7, 14], "right_day": [7, 14, None], "n": [1, 2, 1]}))
    >>> curve.mass.round(6).tolist(), [day.item() for day in curve.bounds(np.array([7]))[1]]
    ([0.25, 0.5, 0.25], [0.75])
    """
    return turnbull_of(checked_intervals(table))


def turnbull_of(
    intervals: Intervals, tolerance: float = TOLERANCE, *, near: TurnbullCurve | None = None
) -> TurnbullCurve:
    """As `turnbull`, for checked intervals. tolerance: the gap at which to stop. near: a curve to start from."""
    left, right = innermost_intervals(intervals)
    if not left.size:
        return TurnbullCurve(left, right, np.zeros(0), 0.0, 0.0, 0, intervals)
    first = np.searchsorted(left, intervals.left, side="left")
    past = np.searchsorted(right, intervals.right, side="right")
    start = near._ended_by(right) if near else None
    fit: MassFit = fitted_masses(first, past, intervals.count, left.size, tolerance, start)
    return TurnbullCurve(left, right, fit.mass, fit.log_likelihood, fit.gap, fit.iterations, intervals)


def innermost_intervals(intervals: Intervals) -> tuple[Ints, Ints]:
    """The intervals that can hold mass: from a left end to the next right end with no other end in between.

    Of a left and a right end on one day the right comes first: (0, 7] and (7, 14] have no day in common.
    """
    lefts, rights = np.unique(intervals.left), np.unique(intervals.right)
    before = lefts[np.searchsorted(lefts, rights, side="left") - 1] if lefts.size else lefts
    nearest = np.diff(before, prepend=-1) > 0
    return before[nearest], rights[nearest]


def presence_at(curve: TurnbullCurve, at_days: Sequence[int]) -> list[PresenceEstimate]:
    """The curve read at days, in their order; nothing is read past the last look at anybody."""
    days = np.asarray(list(at_days), dtype=np.int64)
    least, most = curve.bounds(days)
    last_look, read = curve.intervals.last_look, []
    for day, low, high in zip(days.tolist(), least.tolist(), most.tolist(), strict=True):
        known = last_look is not None and day <= last_look
        ended, followed = curve.intervals.ended_by(day), curve.intervals.still_followed(day)
        lost = round(curve.intervals.total) - ended - followed
        read.append(PresenceEstimate(day, low if known else None, high if known else None, ended, followed, lost))
    return read


def never_ended_bound(curve: TurnbullCurve, floor: int = 1) -> PresenceEstimate | None:
    """At most what share never ends: the upper bound of the curve on the last day on which it still falls.

    Whoever has it for good has it on every day, so each value of the curve is an upper bound; the last one with mass
    is the lowest. No model is put beyond the last look: how many of the rest will still be rid of it is not known,
    and the share may be anything from 0 to this. Misleads where the last fall rests on few: floor asks for so many
    looked at on that day or later, and not known to have ended before it. Returns None where no such day exists.

    >>> curve = turnbull(pl.DataFrame({"left_day": [0, 7, 14], "right_day": [7, 14, None], "n": [1, 2, 1]}))
    >>> bound = never_ended_bound(curve)
    >>> bound.at_days, round(bound.most, 6)
    (14, 0.25)
    """
    days = curve.right[(curve.mass > 0.0) & (curve.right < NOT_ENDED)]
    for day in days[::-1].tolist():
        if curve.intervals.still_followed(day - 1) >= floor:
            return presence_at(curve, [day])[0]
    return None
