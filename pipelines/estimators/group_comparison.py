"""What a test of several groups gives back, and the chi-square statistic behind it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, TypeVar

import numpy as np

from pipelines.estimators.errors import CountsError
from pipelines.estimators.limits import Floats

Table = TypeVar("Table")

# Eigenvalues of a variance matrix scaled to a diagonal of ones count as 0 below this.
SAME_DIRECTION = 1e-9


@dataclass(frozen=True)
class GroupComparison:
    """A test that several groups do not differ.

    groups: names. observed: events in each group. expected: how many there would be if groups did not differ.
    statistic: chi-square, with degrees_of_freedom. p_value: 0-1, how often chance alone gives a statistic at least
    so large if nothing differs. reason: why there is no statistic (then both are None, degrees_of_freedom 0):
    no_events, or one_group (never two groups at risk at the time of an event, or scores all alike).
    """

    groups: tuple[str, ...]
    observed: tuple[int, ...]
    expected: tuple[float, ...]
    statistic: float | None
    degrees_of_freedom: int
    p_value: float | None
    reason: Literal["no_events", "one_group"] | None = None


def compared(
    groups: Sequence[str],
    observed: Floats,
    expected: Floats,
    excess: Floats,
    variance: Floats,
    scores: Mapping[str, float] | None = None,
) -> GroupComparison:
    """Chi-square of the excesses z with variance V: z' V^- z; with scores s, (s'z)^2 / s'Vs on one degree of freedom.

    observed, expected, excess: (k,), one a group; excess mostly observed - expected. variance: (k, k), singular,
    since excesses add up to 0. scores: one a group.
    Degrees of freedom: the rank of V, so that groups that never meet others at risk do not count.
    Raises: CountsError, for scores that are not those of the groups.
    """
    from scipy.special import chdtrc

    if scores is not None and (set(scores) != set(groups) or not np.all(np.isfinite(list(scores.values())))):
        raise CountsError(f"scores: expected one number for each of {', '.join(groups)}")
    met = np.flatnonzero(np.diag(variance) > 0.0)
    statistic, rank = 0.0, 0
    if met.size and scores is not None:
        s = np.array([scores[group] for group in groups])[met]
        s = s - s.mean()
        spread = float(s @ variance[np.ix_(met, met)] @ s)
        rank = int(spread > SAME_DIRECTION * float(s @ (np.diag(variance)[met] * s)))
        statistic = float(s @ excess[met]) ** 2 / spread if rank else 0.0
    elif met.size:
        scale = np.sqrt(np.diag(variance)[met])
        values, vectors = np.linalg.eigh(variance[np.ix_(met, met)] / np.outer(scale, scale))
        kept = values > SAME_DIRECTION
        rank = int(kept.sum())
        statistic = float((((excess[met] / scale) @ vectors[:, kept]) ** 2 / values[kept]).sum())
    counts = tuple(int(number) for number in observed)
    if not rank:
        reason: Literal["no_events", "one_group"] = "one_group" if sum(counts) else "no_events"
        return GroupComparison(tuple(groups), counts, tuple(expected.tolist()), None, 0, None, reason)
    return GroupComparison(
        tuple(groups), counts, tuple(expected.tolist()), statistic, rank, float(chdtrc(rank, statistic))
    )


def groups_of(strata: Mapping[str, Mapping[str, Table]]) -> tuple[str, ...]:
    """Names of the groups, in the order in which they first appear over the strata.

    >>> groups_of({"A": {"low": 1, "high": 2}, "B": {"mid": 3, "low": 4}})
    ('low', 'high', 'mid')
    """
    return tuple(dict.fromkeys(group for tables in strata.values() for group in tables))
