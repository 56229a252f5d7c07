"""Sums of squares over people whose own sums change from day to day, in one pass over their rows."""

from collections.abc import Sequence

import numpy as np

from pipelines.estimators.counts import Ints
from pipelines.estimators.limits import Floats


def running_cross_sums(
    cluster: Ints, row: Ints, moves: Sequence[Floats], copies: Floats, rows: int
) -> list[list[Floats]]:
    """Add up, day by day, the products of what each cluster has gathered so far.

    Each cluster (patient) carries k numbers that start at 0. A move adds to them on a day; the same day may hold
    several moves of a cluster. Robust variances are quadratic in such numbers with coefficients that depend on the
    day alone, so these sums are all that they need, however many patients there are.
    cluster: (m,) any whole numbers, one for each move. row: (m,) index of the day, 0 to rows - 1. moves: k arrays
    (m,), what is added. copies: (m,) how many clusters are exactly alike, the same on each row of a cluster.
    Returns sums[a][b], each (rows,): the sum over clusters of (number a) x (number b) once the day is over.
    Cost: one sort of the m moves, then k(k+1)/2 passes; linear in m but for the sort.

    >>> import numpy as np
    >>> one = np.ones(3)
    >>> running_cross_sums(np.array([7, 7, 8]), np.array([0, 1, 1]), [one], one, 2)[0][0].tolist()
    [1.0, 5.0]
    """
    order = np.lexsort((row, cluster))
    row, copies = row[order], copies[order]
    begins = np.diff(cluster[order], prepend=cluster.min(initial=0) - 1) != 0
    after = [_summed_within(move[order], begins) for move in moves]
    before = [_one_earlier(state, begins) for state in after]
    sums: list[list[Floats]] = [[np.zeros(0)] * len(moves) for _ in moves]
    for a in range(len(moves)):
        for b in range(a + 1):
            change = copies * (after[a] * after[b] - before[a] * before[b])
            sums[a][b] = sums[b][a] = np.cumsum(np.bincount(row, weights=change, minlength=rows))
    return sums


def clusters_present(cluster: Ints, row: Ints, step: Floats, copies: Floats, rows: int) -> Ints:
    """How many clusters have anybody present once each day is over, (rows,).

    cluster, row, copies: as `running_cross_sums`. step: (m,) 1 where one of the cluster comes in, -1 where one leaves.
    """
    order = np.lexsort((row, cluster))
    begins = np.diff(cluster[order], prepend=cluster.min(initial=0) - 1) != 0
    present = _summed_within(step[order], begins)
    change = copies[order] * ((present > 0.5).astype(float) - (_one_earlier(present, begins) > 0.5))
    return np.rint(np.cumsum(np.bincount(row[order], weights=change, minlength=rows))).astype(np.int64)


def quadratic_form(coefficients: Sequence[Floats], sums: Sequence[Sequence[Floats]]) -> Floats:
    """Sum over clusters of (sum over a of coefficients[a] x number a) squared, day by day; never below 0."""
    k = len(coefficients)
    total = sum(
        (coefficients[a] * coefficients[b] * sums[a][b] for a in range(k) for b in range(k)),
        start=np.zeros_like(sums[0][0]),
    )
    return np.clip(total, 0.0, None)


def _summed_within(move: Floats, begins: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> Floats:
    """Running sum that starts anew with each cluster.

    Clusters advance side by side, one move at a time, so that no number of one cluster ever enters another's
    rounding; there are as many steps as the busiest cluster has moves.
    """
    state = move.astype(np.float64)
    current = np.flatnonzero(begins) + 1
    while current.size:
        current = current[current < move.size]
        current = current[~begins[current]]
        state[current] += state[current - 1]
        current = current + 1
    return state


def _one_earlier(state: Floats, begins: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> Floats:
    """What a cluster had gathered before each move: 0 at its first."""
    return np.where(begins, 0.0, np.concatenate([np.zeros(1), state[:-1]])[: state.size])
