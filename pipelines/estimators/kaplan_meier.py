"""Kaplan-Meier: the share still without the event, day by day, from a risk table."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipelines.estimators.counts import Counts, Ints, Reason, checked_counts
from pipelines.estimators.limits import Floats, LimitsBy, log_log_limits
from pipelines.estimators.proportion import clopper_pearson


@dataclass(frozen=True, eq=False)
class SurvivalCurve:
    """A product-limit curve as arrays over the n days of its risk table, ascending.

    day: (n,) days since the origin. at_risk, events: (n,) counts on that day. survival: (n,) share without the
    event once the day is over, 0-1. greenwood: (n,) running sum of events / (at_risk (at_risk - events)); infinite
    once survival is 0. counts: the risk table behind it, which also holds how many remain after each day.
    trials: (n,) independent people that the numbers at risk amount to, where they are fewer than at_risk (patients
    with several spells, or weights); greenwood is then a robust variance of log survival, 0 where nothing shows a
    spread. None for a plain curve.
    first_day, last_day: the followed span; None when nobody was observed. Where first_day is above 0 everybody
    entered late, and survival means: among those without the event before first_day.
    """

    day: Ints
    at_risk: Ints
    events: Ints
    survival: Floats
    greenwood: Floats
    counts: Counts
    trials: Ints | None = None

    @property
    def first_day(self) -> int | None:
        """First day on which somebody is at risk."""
        return self.counts.first_day

    @property
    def last_day(self) -> int | None:
        """Last day of the unbroken follow-up: the last with somebody at risk, or the one before a gap."""
        return self.counts.last_day

    def fewest_trials(self, at_days: int) -> int:
        """The fewest independent people at risk on any day up to at_days, which must lie in the followed span."""
        if self.trials is None:
            return self.counts.smallest_at_risk(at_days)
        row = self.counts.row_on(at_days)
        # between two rows those are at risk who are at risk on the later one
        rows = slice(0, row + 1 if row >= 0 and self.day[row] == at_days else row + 2)
        followed = self.day[rows] >= (self.first_day or 0)
        return int(self.trials[rows][followed].min())


@dataclass(frozen=True)
class SurvivalEstimate:
    """Share without the event by the end of a day, with pointwise limits.

    estimate, lower, upper, std_error: 0-1, or None where nothing honest can be said. at_risk: people still under
    observation and without the event once the day is over (exit_day > at_days), so that it can be 0 on the last day
    of follow-up. events: up to and including the day. limits_by: how the limits were found: log_log;
    exact_no_events (nobody had the event yet); before_last_event (the estimate is 0: the upper limit is that of the
    last day on which it was above 0); exact_all_events (the estimate fell from 1 to 0 on one day); None with an
    estimate but no limits, where a robust variance finds no spread, as from one patient.
    reason: why there is no estimate.
    """

    at_days: int
    estimate: float | None
    lower: float | None
    upper: float | None
    std_error: float | None
    at_risk: int
    events: int
    limits_by: LimitsBy | None
    reason: Reason | None = None

    @property
    def beyond_follow_up(self) -> bool:
        """Whether the day lies past the last day of follow-up, so that nothing is estimated."""
        return self.reason == "beyond_follow_up"


def product_limit(risk_table: pl.DataFrame) -> SurvivalCurve:
    """Share of people still without the event after each day, allowing for delayed entry.

    Estimator: product over days of 1 - events / at_risk. Events on day t are counted in the value at t; a person
    censored on day t was at risk on day t. At risk on a day are those with entry < day <= exit, as in R `survfit`;
    who is observed from the origin is at risk on day 0 too, so an event on day 0 counts (see `counts.risk_table`).
    Assumes: within the table, entry and loss to follow-up carry no news of the hazard; events of different people
    are independent. Misleads if another event (death, surgery elsewhere) rules out this one: then 1 - survival is
    too high, and `aalen_johansen` answers. Misleads if contact was sought because of the event, and, with delayed
    entry, wherever the first days rest on a handful of people: one event among two halves the whole curve.
    risk_table: one row a day, in any order: day (int, >= 0, distinct), at_risk (int), events (int, <= at_risk),
    censored (int), entered (int; absent = nobody enters late). Days on which nothing happens may be left out.
    Returns a SurvivalCurve over the rows of the table; an empty table gives an empty curve.
    Raises: CountsError, naming the first day at fault (more events than at risk, a negative number, a day twice, an
    at_risk that does not follow from the row before).
    Source: Kaplan & Meier 1958, JASA 53:457-481; the running sum is Greenwood 1926, Reports on Public Health and
    Medical Subjects 33.

    >>> table = pl.DataFrame({"day": [3, 5], "at_risk": [4, 3], "events": [1, 2], "censored": [0, 1]})
    >>> product_limit(table).survival.tolist()
    [0.75, 0.25]
    """
    counts = checked_counts(risk_table, ["events"])
    events = counts.events[0]
    at_risk = counts.at_risk.astype(np.float64)
    hazard = np.divide(events, at_risk, out=np.zeros(at_risk.size), where=at_risk > 0)
    escaped = at_risk - events
    step = np.divide(hazard, escaped, out=np.full(at_risk.size, np.inf), where=escaped > 0)
    return SurvivalCurve(
        day=counts.day,
        at_risk=counts.at_risk,
        events=events,
        survival=np.cumprod(1.0 - hazard),
        greenwood=np.cumsum(np.where(events > 0, step, 0.0)),
        counts=counts,
    )


def survival_at(curve: SurvivalCurve, at_days: Sequence[int], level: float = 0.95) -> list[SurvivalEstimate]:
    """Read a curve at given days, with pointwise limits that never have zero width.

    Estimator of the limits: log(-log) with Greenwood's variance. That scale is undefined at 1 and at 0, so: before
    the first event the upper limit is 1 and the lower is the Clopper-Pearson limit (alpha / 2) ** (1 / m) for no
    event among m, the fewest people at risk on any day so far (among all ways of spreading a total hazard over the
    days, having it all on that day makes "no events" most likely, so no hazard can be ruled out sooner); where the
    estimate is 0 the lower limit is 0 and the upper that of the last day on which it was above 0, which holds
    because survival never rises. limits_by says which.
    Assumes: as `product_limit`. Misleads when many days are read as one statement: the limits hold for each day by
    itself, not for the whole curve. With one event so far the upper log(-log) limit is too low: of 100 people all
    followed, with a true 0.995, the 95 % limits hold it in 91 % of samples (by enumeration).
    curve: from `product_limit`. at_days: whole days since the origin, any order. level: above 0, below 1.
    Returns one estimate a day, same order. Before the first and past the last day of follow-up the estimate is
    None: nothing is extrapolated, not even from a curve that has reached 0, nor across days on which nobody was at
    risk.
    Raises: ValueError, for a level outside 0-1.
    Source: Borgan & Liestol 1990, Scand J Stat 17:35-41 (log(-log) limits); Clopper & Pearson 1934, Biometrika
    26:404-413; the limits at 0 and 1 are own choices, stated above.

    >>> table = pl.DataFrame({"day": [3, 5], "at_risk": [4, 3], "events": [1, 2], "censored": [0, 1]})
    >>> [(e.estimate, e.at_risk, e.limits_by) for e in survival_at(product_limit(table), [2, 4, 6])]
    [(1.0, 4, 'exact_no_events'), (0.75, 3, 'log_log'), (None, 0, None)]
    """
    limits = curve_limits(curve, level)
    return [_survival_on(curve, limits, day, level) for day in at_days]


def curve_limits(curve: SurvivalCurve, level: float) -> tuple[Floats, Floats]:
    """Log(-log) limits of a whole curve, one pair a row; not a number where survival is 0 or 1, or without spread.

    Raises: ValueError, for a level outside 0-1. Source: as `survival_at`.
    """
    above_zero = np.where(curve.survival > 0.0, curve.greenwood, 0.0)
    std_error = np.where(above_zero > 0.0, curve.survival * np.sqrt(above_zero), np.nan)
    return log_log_limits(curve.survival, std_error, level)


def _survival_on(curve: SurvivalCurve, limits: tuple[Floats, Floats], at_days: int, level: float) -> SurvivalEstimate:
    row = curve.counts.row_on(at_days)
    events = int(curve.events[: row + 1].sum())
    remaining = curve.counts.remaining_after(at_days)
    reason = curve.counts.reason_unknown(at_days)
    if reason:
        return SurvivalEstimate(at_days, None, None, None, None, remaining, events, None, reason)

    estimate = float(curve.survival[row]) if row >= 0 else 1.0
    lower, upper, limits_by = _limits_on(curve, limits, at_days, row, level)
    defined = limits_by == "log_log"
    std_error = estimate * float(np.sqrt(curve.greenwood[row])) if defined else None
    return SurvivalEstimate(at_days, estimate, lower, upper, std_error, remaining, events, limits_by)


def _limits_on(
    curve: SurvivalCurve, limits: tuple[Floats, Floats], at_days: int, row: int, level: float
) -> tuple[float | None, float | None, LimitsBy | None]:
    """Limits on a followed day, and how they were found."""
    if row < 0 or curve.survival[row] == 1.0:
        none_yet = clopper_pearson(0, curve.fewest_trials(at_days), level)
        return 1.0 - none_yet.upper, 1.0, "exact_no_events"
    lower, upper = limits
    if curve.survival[row] > 0.0:
        if curve.greenwood[row] == 0.0:
            return None, None, None
        return float(lower[row]), float(upper[row]), "log_log"
    fell_to_zero = int(np.flatnonzero(curve.survival == 0.0)[0])
    if fell_to_zero and curve.survival[fell_to_zero - 1] < 1.0:
        if curve.greenwood[fell_to_zero - 1] == 0.0:
            return None, None, None
        return 0.0, float(upper[fell_to_zero - 1]), "before_last_event"
    # nobody, where a curve is put together from two and the fall came before the other one begins
    fell = int((curve.at_risk if curve.trials is None else curve.trials)[fell_to_zero])
    return 0.0, clopper_pearson(0, fell, level).upper if fell else 1.0, "exact_all_events"
