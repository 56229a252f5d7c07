"""Time to the first of two events of which one is always seen, the other only as far as people stay in contact."""

from __future__ import annotations

import numpy as np

from ..estimators.counts import Counts, Ints
from ..estimators.kaplan_meier import SurvivalCurve
from ..estimators.limits import Floats

_NOTHING = 1e-12
"""A share below this is 0 but for rounding."""


def either_event(seen: SurvivalCurve, told: SurvivalCurve) -> SurvivalCurve:
    """Share of people with neither event yet.

    Estimator: with F the cumulative incidence of "the seen event came first" and A the cumulative hazard of the other,
    S falls on day t by dF(t) + S(t-) dA(t). F is 1 - Kaplan-Meier over everybody until the end of records, those whom
    the other event befell included: since the records show each seen event, nothing has to be known of their
    contact. dA is events / at risk among those in contact, without either event. With both fully seen and nobody
    censored, S is the share without an event.
    Limits: by the delta method from the hazards of both curves, with their covariance, and never narrower than if
    everybody were seen for both events.
    Assumes: the end of records, and the end of contact, carry no news of the events. A plain Kaplan-Meier would have
    to end everybody's observation at the last contact, and who has the seen event then makes contact because of it.
    Misleads where people break off contact because of the other event.
    seen: curve of the seen event where it is the first, subjects of the other event staying at risk. told: curve of
    the other event, ending at the seen one. Returns a curve over the days of both; its greenwood is (standard
    error / share)^2, so that `survival_at` reads it. at_risk, and the span followed, are those of the thinner
    curve, day by day: nothing is read past the shorter follow-up.
    Source: own choice, by the delta method; F as in Fine & Gray 1999, JASA 94:496-509, where everybody's end of
    observation is known (recalled).

    >>> import polars as pl
    >>> from pipelines.estimators import product_limit
    >>> one = product_limit(pl.DataFrame({"day": [3, 9], "at_risk": [4, 3], "events": [1, 0], "censored": [0, 3]}))
    >>> two = product_limit(pl.DataFrame({"day": [5, 9], "at_risk": [3, 2], "events": [1, 0], "censored": [0, 2]}))
    >>> either_event(one, two).survival.tolist()
    [0.75, 0.5, 0.5]
    """
    days = np.union1d(seen.day, told.day)
    survival, variance = _share_and_variance(seen, told, days)
    followed = [curve for curve in (seen, told) if curve.first_day is not None and curve.last_day is not None]
    both = len(followed) == 2
    events = _events_on(seen, days) + _events_on(told, days)
    counts = Counts(
        day=days,
        at_risk=np.minimum(_at_risk_on(seen, days), _at_risk_on(told, days)),
        entered=np.zeros(days.size, dtype=np.int64),
        events=events[np.newaxis, :],
        censored=np.zeros(days.size, dtype=np.int64),
        remaining=np.minimum(_remaining_after(seen, days), _remaining_after(told, days)),
        first_day=max(curve.first_day or 0 for curve in followed) if both else None,
        last_day=min(curve.last_day or 0 for curve in followed) if both else None,
    )
    relative = np.divide(variance, survival**2, out=np.full(days.size, np.inf), where=survival > 0.0)
    return SurvivalCurve(
        day=days, at_risk=counts.at_risk, events=events, survival=survival, greenwood=relative, counts=counts
    )


def _share_and_variance(seen: SurvivalCurve, told: SurvivalCurve, days: Ints) -> tuple[Floats, Floats]:
    """The share with neither event by day, and its variance.

    Solved in closed form: with E the told curve and f the daily falls of the seen one G, S(t) = E(t) (1 - sum f / E).
    What S(t) gains from each day's hazards is known from there; the variance adds up their variances and covariances.
    Hazards of the two curves covary, since who has the told event on day v stays in the seen curve's risk set without
    ever leaving it by that event: for u after v the covariance is - a(v) h(u) G(v)^2 / (G(u) S(v) m(v)), with a and h
    the hazards and m at risk in the seen curve.
    """
    without_seen, without_told = _carried(seen, seen.survival, days, 1.0), _carried(told, told.survival, days, 1.0)
    seen_before, told_before = _shifted(without_seen, 1.0), _shifted(without_told, 1.0)
    alive = without_told > 0.0  # past a fall to 0 nobody is left without the event, and S stays 0
    level = np.where(alive, without_told, 1.0)
    taken = np.cumsum((seen_before - without_seen) / level)
    left = np.where(alive & (taken < 1.0 - _NOTHING), 1.0 - taken, 0.0)
    survival = level * left

    step_seen = _steps(_carried(seen, seen.greenwood, days, 0.0))
    step_told = _steps(_carried(told, told.greenwood, days, 0.0))
    gain_seen, gain_told = without_seen / level + taken, _shifted(left, 1.0)
    at_risk = np.maximum(_at_risk_on(seen, days), 1)
    told_hazard = 1.0 - np.divide(without_told, told_before, out=np.ones(days.size), where=told_before > 0.0)
    linked = _shifted(
        np.cumsum(told_hazard * seen_before**2 / np.where(told_before > 0.0, told_before, 1.0) / at_risk), 0.0
    )
    seen_hazard = np.divide(
        seen_before - without_seen, seen_before**2, out=np.zeros(days.size), where=seen_before > 0.0
    )
    spread = (
        np.cumsum(step_seen * gain_seen**2 + step_told * gain_told**2 - 2.0 * linked * seen_hazard * gain_seen)
        - 2.0 * taken * np.cumsum(step_seen * gain_seen - linked * seen_hazard)
        + taken**2 * np.cumsum(step_seen)
    )
    # never narrower than with everybody seen for both events
    people = max(int(seen.at_risk.max(initial=1)), 1)
    return survival, np.maximum(level**2 * spread, survival * (1.0 - survival) / people)


def _shifted(values: Floats, start: float) -> Floats:
    """Each value as it stood before the day."""
    return np.concatenate([[start], values[:-1]])


def _steps(greenwood: Floats) -> Floats:
    """Each day's part of Greenwood's sum; a last, infinite one counts as none: the share is then 0."""
    finite = np.where(np.isfinite(greenwood), greenwood, 0.0)
    return np.maximum(np.diff(finite, prepend=0.0), 0.0)


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
