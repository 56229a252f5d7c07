"""Log-rank: do groups have events at the same rate, from one risk table a group?"""

from collections.abc import Mapping

import numpy as np
import polars as pl

from pipelines.estimators.counts import checked_counts
from pipelines.estimators.group_comparison import GroupComparison, compared, groups_of
from pipelines.estimators.limits import Floats


def log_rank(tables: Mapping[str, pl.DataFrame], *, scores: Mapping[str, float] | None = None) -> GroupComparison:
    """Test that k groups have events at the same rate on every day.

    Estimator: on each day with events, a group's expected number is its share of those at risk; observed - expected
    is added up over days, with the hypergeometric variance given who is at risk, so ties are exact. Delayed entry
    changes only who is at risk. Equals R `survdiff`, and the score test of `coxph` with ties="exact".
    With scores (one number a group, such as 0, 1, 2 for ordered groups): test for trend, on 1 degree of freedom;
    only the distances between scores matter.
    Assumes: within each group, entry and loss carry no news of the event; people are independent (several gap times
    of one patient are not). Misleads where rates cross: early excess and late lack cancel, and nothing is found.
    Where death competes it compares rates among those alive, not how many get there: see `gray_test`. A small p
    says that groups differ, not by how much nor why: groups that were not drawn by lot differ in much else, and of
    20 comparisons one is "significant" by chance. A large p from few events shows nothing.
    tables: name of the group to its risk table, as for `product_limit`. scores: see above.
    Returns a GroupComparison; without events, or without two groups ever at risk together, it has no statistic.
    Raises: CountsError, as `product_limit`, and for scores that are not those of the groups.
    Source: Mantel 1966, Cancer Chemother Rep 50:163-170; Peto & Peto 1972, J R Stat Soc A 135:185-207; trend:
    Tarone 1975, Biometrika 62:679-682.

    >>> a = pl.DataFrame({"day": [1, 3], "at_risk": [2, 1], "events": [1, 1], "censored": [0, 0]})
    >>> b = pl.DataFrame({"day": [2, 4], "at_risk": [2, 1], "events": [0, 1], "censored": [1, 0]})
    >>> result = log_rank({"a": a, "b": b})
    >>> result.observed, result.expected, round(result.statistic, 4)
    ((2, 1), (1.0, 2.0), 2.0)
    """
    return stratified_log_rank({"": tables}, scores=scores)


def stratified_log_rank(
    strata: Mapping[str, Mapping[str, pl.DataFrame]], *, scores: Mapping[str, float] | None = None
) -> GroupComparison:
    """Log-rank test within strata, such as sites: people are compared only with others of their stratum.

    Estimator: observed - expected, and its variance, added up over strata. Assumes, in addition to `log_rank`, that
    the groups differ in the same direction in every stratum: opposite differences cancel. Strata in which only one
    group is ever at risk tell nothing, and many small strata cost power.
    strata: name of the stratum to its groups' risk tables; a group may be absent from a stratum. scores: as
    `log_rank`, one for each group of any stratum.
    Returns a GroupComparison over all strata. Raises: as `log_rank`.
    Source: Mantel 1966, as above; Klein & Moeschberger 2003, Survival Analysis, section 7.5.
    """
    groups = groups_of(strata)
    k = len(groups)
    observed, expected, variance = np.zeros(k), np.zeros(k), np.zeros((k, k))
    for tables in strata.values():
        members = [groups.index(group) for group in tables]
        seen, awaited, spread = _one_stratum(tables)
        observed[members] += seen
        expected[members] += awaited
        variance[np.ix_(members, members)] += spread
    return compared(groups, observed, expected, observed - expected, variance, scores)


def _one_stratum(tables: Mapping[str, pl.DataFrame]) -> tuple[Floats, Floats, Floats]:
    """Observed and expected events, (k,), and the variance of their difference, (k, k)."""
    counts = [checked_counts(table, ["events"]) for table in tables.values()]
    days = np.unique(np.concatenate([np.zeros(0, dtype=np.int64), *(c.day[c.events[0] > 0] for c in counts)]))
    at_risk = np.array([c.at_risk_on(days) for c in counts], dtype=np.float64).reshape(len(counts), days.size)
    seen = np.array([c.events[0].sum() for c in counts], dtype=np.float64)
    events = np.zeros(days.size)
    for c in counts:
        events += np.bincount(np.searchsorted(days, c.day[c.events[0] > 0]), c.events[0][c.events[0] > 0], days.size)
    everyone = at_risk.sum(axis=0)
    share = at_risk / everyone
    # hypergeometric: with one person left there is nothing to draw
    drawn = events * (everyone - events) / np.maximum(everyone - 1.0, 1.0)
    variance = np.diag((share * drawn).sum(axis=1)) - (share * drawn) @ share.T
    return seen, (share * events).sum(axis=1), variance
