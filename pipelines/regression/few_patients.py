"""Errors by patient that hold where patients are few or events rare: a sandwich without its first-order bias."""

from __future__ import annotations

import numpy as np

from .spells import Floats, Ints

_NOTHING_LEFT = 1e-8


def bias_reduced_scores(x: Floats, weight: Floats, residual: Floats, cluster: Ints) -> Floats:
    """Scores (G, k) of each patient, with residuals stretched by what the fit took of them.

    A fit draws itself to each patient, so residuals are too short, most for patients of much leverage, and the sum of
    squares of scores is too small. Each patient's residuals are multiplied by the inverse of (I - H), where H is the
    patient's block of the hat matrix.
    x: (n, k) design. weight: (n,) of the information, such as p (1 - p). residual: (n,) outcome less fitted, or what
    stands for it. cluster: (n,) whose observation it is. Where a patient alone tells a coefficient, its error cannot be
    known from the spread between patients, and comes out too small.
    Source: Mancl & DeRouen 2001, Biometrics 57:126-134, equation 8 (recalled), with a working independence.
    """
    _, place, sizes = np.unique(cluster, return_inverse=True, return_counts=True)
    order = np.argsort(place, kind="stable")
    starts = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    inverse = np.linalg.inv((x * weight[:, None]).T @ x)
    scores = np.zeros((len(sizes), x.shape[1]))
    for size in np.unique(sizes):  # patients of one number of observations at a time, as one stack
        those = np.flatnonzero(sizes == size)
        rows = order[starts[those][:, None] + np.arange(size)]
        own = x[rows]
        hat = own @ inverse @ np.swapaxes(own, 1, 2) * weight[rows][:, None, :]
        # a patient who alone tells a coefficient leaves nothing to stretch in that direction
        stretched = np.linalg.pinv(np.eye(size) - hat, rcond=_NOTHING_LEFT) @ residual[rows][:, :, None]
        scores[those] = (own * stretched).sum(axis=1)
    return scores
