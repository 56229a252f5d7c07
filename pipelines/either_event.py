"""Time to the first of two events that are seen by different means, each with its own end of observation."""

from __future__ import annotations

import numpy as np

from .estimators.counts import Counts, Ints
from .estimators.kaplan_meier import SurvivalCurve
from .estimators.limits import Floats


def either_event(first: SurvivalCurve, second: SurvivalCurve) -> SurvivalCurve:
    """Share of people with neither event yet: the product of the two curves.

    Estimator: S(t) = S1(t) S2(t), where each curve counts its own event and censors at the other; with cumulative
    hazards A1 and A2 this is exp(-(A1 + A2)). The running Greenwood sums add, since the two events never fall together
    and the counting processes are then orthogonal; limits follow from `survival_at` as for any product-limit curve.
    Where both events are seen for the same people over the same days, this is the ordinary product limit up to days
    that hold both events (there 1 - d1/n - d2/n becomes (1 - d1/n)(1 - d2/n)).
    Assumes: within each curve, loss to observation carries no news of that event, and who is still in a curve's risk
    set although the other event came about unseen has that curve's hazard like everyone else. Misleads where the
    unseen are many and differ.
    first, second: curves over the same origin. Returns a curve over the days of both. at_risk, and the followed
    span, are those of the thinner of the two, day by day: nothing is read past the shorter follow-up.
    Source: Andersen, Borgan, Gill & Keiding 1993, Statistical Models Based on Counting Processes, section IV.4.1
    (product integral of the summed hazards; orthogonality; recalled).

    >>> import polars as pl
    >>> from pipelines.estimators import product_limit
    >>> one = product_limit(pl.DataFrame({"day": [3, 9], "at_risk": [4, 3], "events": [1, 0], "censored": [0, 3]}))
    >>> two = product_limit(pl.DataFrame({"day": [5, 9], "at_risk": [2, 1], "events": [1, 0], "censored": [0, 1]}))
    >>> either_event(one, two).survival.tolist()
    [0.75, 0.375, 0.375]
    """
    days = np.union1d(first.day, second.day)
    followed = [curve for curve in (first, second) if curve.first_day is not None and curve.last_day is not None]
    both = len(followed) == 2
    events = _events_on(first, days) + _events_on(second, days)
    counts = Counts(
        day=days,
        at_risk=np.minimum(_at_risk_on(first, days), _at_risk_on(second, days)),
        entered=np.zeros(days.size, dtype=np.int64),
        events=events[np.newaxis, :],
        censored=np.zeros(days.size, dtype=np.int64),
        remaining=np.minimum(_remaining_after(first, days), _remaining_after(second, days)),
        first_day=max(curve.first_day or 0 for curve in followed) if both else None,
        last_day=min(curve.last_day or 0 for curve in followed) if both else None,
    )
    return SurvivalCurve(
        day=days,
        at_risk=counts.at_risk,
        events=events,
        survival=_carried(first, first.survival, days, 1.0) * _carried(second, second.survival, days, 1.0),
        greenwood=_carried(first, first.greenwood, days, 0.0) + _carried(second, second.greenwood, days, 0.0),
        counts=counts,
    )


def _carried(curve: SurvivalCurve, heights: Floats, days: Ints, start: float) -> Floats:
    """A step function's height on each day; `start` before its first row."""
    return np.concatenate([[start], heights])[np.searchsorted(curve.day, days, side="right")]


def _remaining_after(curve: SurvivalCurve, days: Ints) -> Ints:
    """How many are still under observation once each day is over."""
    at_start = curve.at_risk[:1] if curve.day.size else np.zeros(1, dtype=np.int64)
    return np.concatenate([at_start, curve.counts.remaining])[np.searchsorted(curve.day, days, side="right")]


def _at_risk_on(curve: SurvivalCurve, days: Ints) -> Ints:
    """How many are at risk on each day: those remaining after the day before."""
    return _remaining_after(curve, days - 1)


def _events_on(curve: SurvivalCurve, days: Ints) -> Ints:
    """Events on each day, 0 where the curve has no row."""
    on_day = np.zeros(days.size, dtype=np.int64)
    on_day[np.searchsorted(days, curve.day)] = curve.events
    return on_day
