"""Gray's test: do as many people of each group get to an event, where another event may come first?"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipelines.estimators.counts import checked_counts, event_columns
from pipelines.estimators.errors import CountsError
from pipelines.estimators.group_comparison import GroupComparison, compared, groups_of
from pipelines.estimators.limits import Floats


def gray_test(tables: Mapping[str, pl.DataFrame], cause: str) -> GroupComparison:
    """Test that k groups have the same cumulative incidence of one cause, where causes rule each other out.

    Estimator: as the log-rank test, but who has had another event stays among those at risk for as long as the
    others are followed: a group's number at risk on a day is at_risk x (1 - incidence before) / (share free of any
    event before), weight 1 throughout (Gray's rho = 0). The variance allows for that estimate and for ties; it is
    the one of R `cmprsk::cuminc`, whose statistics it repeats.
    Assumes: within each group, loss to follow-up carries no news of any event, and is the only reason to leave
    unseen; people are independent. Delayed entry is refused: the weights above are known from the origin only.
    Misleads as a statement about causes: a group may reach the event less often just because more of it dies first.
    `log_rank` on the rates of those alive answers the other question; show both. Otherwise as `log_rank`.
    tables: name of the group to its risk table with columns events_<cause>, as for `cumulative_incidence`; the cause
    tested must be in each. cause: its name.
    Returns a GroupComparison; observed are events of this cause, expected those if incidences were equal.
    Raises: CountsError, as `cumulative_incidence`, for a table without the cause, and for delayed entry.
    Source: Gray 1988, Ann Stat 16:1141-1154.

    >>> rows = {"day": [1, 2, 3], "at_risk": [6, 4, 2], "events_b": [1, 0, 1], "censored": [0, 1, 0]}
    >>> often = pl.DataFrame({**rows, "events_a": [1, 1, 1]})
    >>> never = pl.DataFrame({**rows, "at_risk": [6, 5, 4], "events_a": [0, 0, 0]})
    >>> result = gray_test({"often": often, "never": never}, "a")
    >>> result.observed, round(result.p_value, 3)
    ((3, 0), 0.049)
    """
    return stratified_gray_test({"": tables}, cause)


def stratified_gray_test(strata: Mapping[str, Mapping[str, pl.DataFrame]], cause: str) -> GroupComparison:
    """Gray's test within strata, such as sites: people are compared only with others of their stratum.

    Estimator: scores and variances of the strata are added up, as R `cmprsk::cuminc` with strata. Assumes, in
    addition to `gray_test`, that the groups differ in the same direction in every stratum.
    strata: name of the stratum to its groups' risk tables; a group may be absent from a stratum.
    Returns a GroupComparison over all strata. Raises: as `gray_test`. Source: Gray 1988, as above.
    """
    groups = groups_of(strata)
    k = len(groups)
    observed, expected, variance = np.zeros(k), np.zeros(k), np.zeros((k, k))
    for tables in strata.values():
        if not tables:
            continue
        members = [groups.index(group) for group in tables]
        people = _followed(tables, cause)
        observed[members] += people.events.sum(axis=1)
        expected[members] += _expected(people)
        variance[np.ix_(members, members)] += _variance(people)
    return compared(groups, observed, expected, observed - expected, variance)


@dataclass(frozen=True, eq=False)
class _People:
    """Groups (first axis) on each day (second axis) on which anybody has an event.

    at_risk; events of the cause; others: events of other causes; free_before, free: share without any event before
    the day and once it is over; incidence_before: of the cause.
    """

    at_risk: Floats
    events: Floats
    others: Floats
    free_before: Floats
    free: Floats
    incidence_before: Floats


def _followed(tables: Mapping[str, pl.DataFrame], cause: str) -> _People:
    counts = []
    for group, table in tables.items():
        columns = event_columns(table)
        if f"events_{cause}" not in columns:
            raise CountsError(f"group {group}: missing column events_{cause}")
        counts.append((checked_counts(table, columns), columns.index(f"events_{cause}")))
        if counts[-1][0].entered.any():
            raise CountsError(f"group {group}: Gray's test takes nobody who enters late")
    days = np.unique(np.concatenate([c.day[c.events.sum(axis=0) > 0] for c, _ in counts]))
    at_risk = np.array([c.at_risk_on(days) for c, _ in counts], dtype=np.float64)
    events, others = np.zeros_like(at_risk), np.zeros_like(at_risk)
    for member, (c, tested) in enumerate(counts):
        rows = c.events.sum(axis=0) > 0
        on = np.searchsorted(days, c.day[rows])
        events[member, on] = c.events[tested, rows]
        others[member, on] = c.events[:, rows].sum(axis=0) - c.events[tested, rows]
    free: Floats = np.cumprod(1.0 - _over(events + others, at_risk), axis=1, dtype=np.float64)
    free_before = _before(free, 1.0)
    incidence = np.cumsum(free_before * _over(events, at_risk), axis=1)
    return _People(at_risk, events, others, free_before, free, _before(incidence, 0.0))


def _expected(people: _People) -> Floats:
    """Events of the cause that each group would have if they all had the same incidence."""
    still_in = _over(people.at_risk * (1.0 - people.incidence_before), people.free_before)
    share = _over(still_in, still_in.sum(axis=0))
    return np.asarray((share * people.events.sum(axis=0)).sum(axis=1))


def _variance(people: _People) -> Floats:
    """Variance of observed - expected, (k, k): Gray 1988, theorem 1, with estimates in place of what is unknown.

    A group's score is a sum of independent noises, one for each group r, kind of event and day u, each with a factor:
    for the cause, a_ir(u) + (1 - q_r(u)) (c_ir(end) - c_ir(u)); for another event, q_r(u) (c_ir(end) - c_ir(u)).
    Here q_r = (1 - pooled incidence) / share of r free of any event; a_ir weighs r against all in the score of i,
    and c_ir adds it up with the pooled hazard. Of d tied events the noise is that of draws without replacement.
    """
    k, days = people.at_risk.shape
    size = _over(people.at_risk, people.free_before)  # people at risk, had nobody been lost or had another event
    everyone = size.sum(axis=0)
    happened = people.events.sum(axis=0)
    step = _over(happened, everyone)
    pooled = np.cumsum(step)
    hazard = _over(step, 1.0 - _before(pooled, 0.0))
    own = np.eye(k)[:, :, np.newaxis] * size
    a = own - size[:, np.newaxis, :] * _over(size, everyone)[np.newaxis, :, :]
    c = np.cumsum(a * hazard, axis=2)
    to_come = c[:, :, -1:] - c if days else c
    q = _over(1.0 - pooled, people.free)

    tied = 1.0 - _over(np.maximum(happened - 1.0, 0.0), everyone * people.free_before - 1.0)
    noise = tied * people.free_before * _over(step, people.at_risk)
    own_tied = 1.0 - _over(np.maximum(people.others - 1.0, 0.0), people.at_risk - 1.0)
    other_noise = own_tied * people.free_before**2 * _over(_over(people.others, people.at_risk), people.at_risk)
    other_noise = np.where(people.free > 0.0, other_noise, 0.0)

    of_cause = (a + (1.0 - q) * to_come).reshape(k, -1)
    of_others = (q * to_come).reshape(k, -1)
    return (of_cause * noise.ravel()) @ of_cause.T + (of_others * other_noise.ravel()) @ of_others.T


def _before(running: Floats, start: float) -> Floats:
    """The value before each day: one to the left along the last axis."""
    first = np.full((*running.shape[:-1], 1), start)
    return np.concatenate([first, running[..., :-1]], axis=-1) if running.shape[-1] else running


def _over(count: Floats, total: Floats) -> Floats:
    count, total = np.broadcast_arrays(count, total)
    return np.divide(count, total, out=np.zeros(count.shape), where=total > 0.0)
