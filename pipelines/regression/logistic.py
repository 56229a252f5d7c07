"""Logistic regression: how the odds of an event differ, with errors that allow for several sessions of a patient."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .errors import ModelError, SeparationError
from .observations import Observations, clustered_covariance
from .spells import Floats

_MOST_STEPS = 50
_LARGEST_LOG_ODDS = 25.0
"""Log odds that differ by more between the ends of a column have no best value."""
_UNBOUNDED = "a ratio without bound (a group has no events, or all of them)"


@dataclass(frozen=True, eq=False)
class LogisticFit:
    """A fitted model. Arrays of k = p + 1 begin with the intercept.

    coefficients: (k,) log odds ratios per unit. model_covariance: (k, k), as if observations were independent.
    covariance: (k, k), the one to use: by patient; of a Firth fit that of the penalised likelihood, widened by patient.
    influence: (n, k) how far each observation pulls each coefficient. log_likelihood: penalised for a Firth fit.
    predicted: (n,) risk of each observation; with the intercept that makes their mean the share seen.
    risk_intercept: that intercept. firth: whether the likelihood was penalised.
    """

    names: tuple[str, ...]
    coefficients: Floats
    model_covariance: Floats
    covariance: Floats
    influence: Floats
    log_likelihood: float
    predicted: Floats
    risk_intercept: float
    n: int
    n_clusters: int
    events: int
    firth: bool = False

    @property
    def slopes(self) -> Floats:
        """(p,) the coefficients without the intercept."""
        return self.coefficients[1:]

    @property
    def slope_covariance(self) -> Floats:
        """(p, p) their covariance."""
        return self.covariance[1:, 1:]


def fit_logistic(observations: Observations) -> LogisticFit:
    """Maximise the likelihood of independent yes or no outcomes; robust errors with patients as clusters.

    Assumes: log odds are a straight line in each column as it was entered. Odds ratios are not ratios of risks where
    events are common, and grow when covariates are added even without confounding. Misleads where events are few for
    the columns (coefficients come out too far from 0: take `fit_firth`), and where ratios are read as causes.
    Raises: ModelError where there is no event, or nobody without; SeparationError where a coefficient has no bound.
    Source: McCullagh & Nelder 1989, Generalized Linear Models, 2nd ed., chapter 4; errors: Liang & Zeger 1986,
    Biometrika 73:13-22.
    """
    refuse_one_outcome(observations)
    x, y = observations.design(), observations.outcome
    reach = np.r_[0.0, np.ptp(observations.x, axis=0)]
    beta = np.zeros(x.shape[1])
    beta[0] = np.log(y.mean() / (1 - y.mean()))
    value = log_likelihood(x, y, beta)
    for _ in range(_MOST_STEPS):
        share = risk(x @ beta)
        step = np.linalg.solve(weighted_square(x, share * (1 - share)), x.T @ (y - share))
        size = 1.0
        while (new := log_likelihood(x, y, beta + size * step)) < value - 1e-9 and size > 1e-6:
            size /= 2
        beta, gain, value = beta + size * step, new - value, new
        worst = int(np.abs(beta * reach).argmax())
        if abs(beta[worst] * reach[worst]) > _LARGEST_LOG_ODDS:
            raise SeparationError(_UNBOUNDED, observations.names[worst - 1 : worst])
        if np.abs(step * np.maximum(reach, 1e-300)).max() < 1e-8 and abs(gain) < 1e-9:
            break
    else:
        raise SeparationError(_UNBOUNDED, observations.names[worst - 1 : worst])
    share = risk(x @ beta)
    covariance = np.asarray(np.linalg.inv(weighted_square(x, share * (1 - share))), dtype=np.float64)
    influence = x * (y - share)[:, None] @ covariance
    return LogisticFit(
        observations.names,
        beta,
        covariance,
        clustered_covariance(influence, observations.cluster),
        influence,
        value,
        share,
        float(beta[0]),
        observations.size,
        observations.clusters,
        int(y.sum()),
    )


def risk(log_odds: Floats) -> Floats:
    """Log odds as risks, 0-1."""
    return np.asarray(1 / (1 + np.exp(-np.clip(log_odds, -700, 700))))


def log_likelihood(x: Floats, y: Floats, beta: Floats) -> float:
    """Of outcomes 0 or 1."""
    log_odds = x @ beta
    return float(y @ log_odds - np.logaddexp(0, log_odds).sum())


def weighted_square(x: Floats, weight: Floats) -> Floats:
    """Information: the columns times themselves, weighted."""
    return np.asarray((x * weight[:, None]).T @ x)


def refuse_one_outcome(observations: Observations) -> None:
    """Raises: ModelError where outcomes are other than 0 and 1, or only one of them is there."""
    if not np.isin(observations.outcome, (0.0, 1.0)).all():
        raise ModelError("an outcome is neither yes nor no")
    if observations.outcome.min() == observations.outcome.max():
        raise ModelError("no event was seen" if not observations.outcome.any() else "everybody had the event")
