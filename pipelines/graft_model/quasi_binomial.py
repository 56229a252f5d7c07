"""Logistic regression of shares whose errors allow for the likeness of areas of one patient."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..regression.errors import ModelError
from ..regression.spells import Floats, Ints

_MOST_STEPS = 50
_LARGEST_LOG_ODDS = 15.0
"""A coefficient beyond this, per standard deviation of its column, has no best value."""


@dataclass(frozen=True, eq=False)
class QuasiBinomialFit:
    """coefficients: (k,) log odds, the intercept first. covariance: (k, k), clustered. dispersion: 1 for pure chance.

    share: (n,) fitted. influence: (m, k) pull of each cluster on each coefficient. n, n_clusters: rows and patients.
    """

    coefficients: Floats
    covariance: Floats
    dispersion: float
    share: Floats
    influence: Floats
    n: int
    n_clusters: int


def fit_quasi_binomial(x: Floats, growing: Floats, placed: Floats, cluster: Ints) -> QuasiBinomialFit:
    """Log odds that a graft grows, as a sum over columns; errors with patients as clusters.

    Estimator: solves the sum of x (growing - placed * share) = 0, by Newton steps; independence as working correlation.
    Only the mean has to be right: spread above chance and likeness within a patient go into the clustered covariance,
    times m / (m - 1) for m patients. Counts above what was placed may enter: no likelihood is used.
    Assumes: log odds are a sum over the columns as entered; patients independent. Misleads with few patients for the
    columns (errors too small; fewer than about 40: common practice, no source), and where ratios are read as causes.
    x: (n, k) with the intercept as first column. growing: (n,) at least 0. placed: (n,) above 0. cluster: (n,).
    Raises: ModelError where columns tell the same, a coefficient grows without bound, or there are fewer than two
    patients.
    Source: McCullagh & Nelder 1989, Generalized Linear Models, 2nd ed., section 4.5 and chapter 9; errors: Liang &
    Zeger 1986, Biometrika 73:13-22.
    """
    patients, place = np.unique(cluster, return_inverse=True)
    m = len(patients)
    if m < 2:
        raise ModelError("counts of at least two patients are needed")
    if not 0 < growing.sum() < placed.sum():
        raise ModelError("as many grafts grew as were placed, or none")
    if np.linalg.matrix_rank(x / np.maximum(np.abs(x).max(axis=0), 1e-300)) < x.shape[1]:
        raise ModelError("two covariates tell the same")
    spread = np.where(x.std(axis=0) > 0, x.std(axis=0), 1.0)
    mean = growing.sum() / placed.sum()
    beta = np.zeros(x.shape[1])
    beta[0] = np.log(mean / (1 - mean))
    for _ in range(_MOST_STEPS):
        share = shares(x @ beta)
        information = (x * (placed * share * (1 - share))[:, None]).T @ x
        step = _solved(information, x.T @ (growing - placed * share))
        largest = float(np.abs(step * spread).max())
        beta = beta + step * min(1.0, 4.0 / max(largest, 1e-300))
        if np.abs(beta * spread)[1:].max(initial=0.0) > _LARGEST_LOG_ODDS or abs(beta[0]) > 700:
            raise ModelError("a ratio without bound (in one group every graft grew, or none)")
        if largest < 1e-10:
            break
    else:
        raise ModelError("no best fit was reached")
    share = shares(x @ beta)
    variance = placed * share * (1 - share)
    inverse = _solved((x * variance[:, None]).T @ x, np.eye(x.shape[1]))
    scores = np.zeros((m, x.shape[1]))
    np.add.at(scores, place, x * (growing - placed * share)[:, None])
    influence = scores @ inverse
    left = max(len(x) - x.shape[1], 1)
    return QuasiBinomialFit(
        coefficients=beta,
        covariance=m / (m - 1) * influence.T @ influence,
        dispersion=float((((growing - placed * share) ** 2) / variance).sum() / left),
        share=share,
        influence=influence,
        n=len(x),
        n_clusters=m,
    )


def shares(log_odds: Floats) -> Floats:
    """Log odds as shares, 0-1."""
    return np.asarray(1 / (1 + np.exp(-np.clip(log_odds, -700, 700))))


def _solved(matrix: Floats, right: Floats) -> Floats:
    try:
        return np.asarray(np.linalg.solve(matrix, right))
    except np.linalg.LinAlgError:
        raise ModelError("two covariates tell the same") from None
