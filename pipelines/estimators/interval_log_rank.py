"""Log-rank for interval-censored durations: do groups end at the same rate?"""

from collections.abc import Mapping

import numpy as np
import polars as pl

from pipelines.estimators.group_comparison import GroupComparison, compared
from pipelines.estimators.interval_censored import TurnbullCurve, turnbull_of
from pipelines.estimators.interval_patients import checked_patients
from pipelines.estimators.intervals import NOT_ENDED, Intervals, checked_intervals
from pipelines.estimators.limits import Floats


def interval_log_rank(
    tables: Mapping[str, pl.DataFrame], *, scores: Mapping[str, float] | None = None
) -> GroupComparison:
    """Test that k groups do not differ, from (left, right] intervals of independent people.

    Estimator: everybody gets the log-rank score that an exact duration T would have, 1 - H(T) with H the cumulative
    hazard of the Turnbull estimate of all groups together, averaged over what the interval leaves possible. A group's
    excess is the sum of its scores; its variance is that of drawing the groups anew at random (permutation form).
    Its excess is positive where it ends earlier than the others. With exact days it is the log-rank test but for the
    variance.
    Assumes: groups are looked at on like schedules. Misleads where one group is looked at more often or longer than
    another: the test then may find a difference of schedules. Crossing curves, chance and groups not drawn by lot: as
    `log_rank`. With fewer than about 15 a group the p value is rough.
    tables: name of the group to its intervals, as `turnbull`. scores: as `log_rank` (trend over ordered groups).
    Returns a GroupComparison; observed counts those seen to end, expected is observed less the excess.
    Raises: CountsError, as `turnbull`, and for scores that are not those of the groups.
    Source: Sun 1996, Stat Med 15:1387-1395 (the scores); Fay 1999, Stat Med 18:273-285, and Fay & Shaw 2010, J Stat
    Softw 36(2):1-34 (the permutation form).
    """
    groups = [checked_intervals(table) for table in tables.values()]
    pooled = _pooled(groups)
    curve = turnbull_of(pooled)
    total = pooled.total
    people = np.array([group.total for group in groups])
    excess, squares = np.zeros(len(groups)), 0.0
    for place, group in enumerate(groups):
        points = log_rank_scores(curve, group)
        excess[place] = group.count @ points
        squares += float(group.count @ points**2)
    share = people / max(total, 1.0)
    variance = squares / max(total - 1.0, 1.0) * total * (np.diag(share) - np.outer(share, share))
    return _compared(list(tables), groups, excess, variance, scores)


def clustered_interval_log_rank(
    patients: pl.DataFrame, *, scores: Mapping[str, float] | None = None
) -> GroupComparison:
    """The same test where a patient may give several intervals, in one group or in several.

    Estimator: the scores of `interval_log_rank`. The variance is summed over patients: the square of each one's own
    part of the excess, all its intervals together, so that they count as one piece of news. Assumes and misleads: as
    there; with fewer than about 30 patients a group it finds differences somewhat too often.
    patients: as `checked_patients`, with a column group (text); rows of one pattern may lie in several groups.
    Returns: as `interval_log_rank`, groups in the order of the alphabet.
    Raises: CountsError, as `checked_patients`, and for scores that are not those of the groups.
    Source: as there; the robust variance: Lin & Wei 1989, JASA 84:1074-1078.
    """
    names = sorted(patients.get_column("group").unique().to_list())
    parts = [patients.filter(pl.col("n") > 0, pl.col("group") == name) for name in names]
    checked = [checked_patients(part) for part in parts]
    groups = [alike.intervals(alike.patients) for alike in checked]
    curve = turnbull_of(_pooled(groups))
    copies = checked_patients(patients).patients
    pattern = np.unique(patients.filter(pl.col("n") > 0).get_column("pattern").to_numpy())
    own = np.zeros((pattern.size, len(names)))
    for place, (part, alike) in enumerate(zip(parts, checked, strict=True)):
        points = log_rank_scores(curve, Intervals(alike.left, alike.right, np.ones(alike.left.size)))
        theirs = np.bincount(alike.pattern, points[alike.kind] * alike.sessions, alike.patients.size)
        at = np.searchsorted(pattern, np.unique(part.get_column("pattern").to_numpy()))
        own[at, place] = theirs
    people = np.array([group.total for group in groups])
    share = people / max(people.sum(), 1.0)
    apart = own - own.sum(axis=1, keepdims=True) * share
    clusters = copies.sum()
    variance = (apart * copies[:, None]).T @ apart * clusters / max(clusters - 1.0, 1.0)
    return _compared(names, groups, copies @ own, variance, scores)


def log_rank_scores(curve: TurnbullCurve, intervals: Intervals) -> Floats:
    """Score of each interval, (K,): the mean of 1 - H over the mass in it; each must hold mass of the curve."""
    reached = np.concatenate([[0.0], np.cumsum(curve.mass)])
    left_over = np.clip(1.0 - reached[:-1], 0.0, None)
    # rounding leaves specks of mass where there is none
    hazard = np.divide(curve.mass, left_over, out=np.zeros_like(curve.mass), where=curve.mass > 1e-14)
    summed = np.concatenate([[0.0], np.cumsum(curve.mass * (1.0 - np.cumsum(hazard)))])
    first = np.searchsorted(curve.left, intervals.left, side="left")
    past = np.searchsorted(curve.right, intervals.right, side="right")
    return np.asarray((summed[past] - summed[first]) / (reached[past] - reached[first]))


def _pooled(groups: list[Intervals]) -> Intervals:
    """All groups as one; intervals stand once a group."""
    empty = np.zeros(0, dtype=np.int64)
    return Intervals(
        np.concatenate([empty, *(group.left for group in groups)]),
        np.concatenate([empty, *(group.right for group in groups)]),
        np.concatenate([empty.astype(np.float64), *(group.count for group in groups)]),
    )


def _compared(
    names: list[str], groups: list[Intervals], excess: Floats, variance: Floats, scores: Mapping[str, float] | None
) -> GroupComparison:
    ended = np.array([float(group.count[group.right < NOT_ENDED].sum()) for group in groups])
    return compared(names, ended, ended - excess, excess, variance, scores)
