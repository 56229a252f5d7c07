"""What a regression of an outcome is fitted to: observations, each with its covariates and its patient."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .errors import ModelError
from .spells import Bools, Floats, Ints


@dataclass(frozen=True, eq=False)
class Observations:
    """n observations.

    x: (n, p) covariates without a column of ones. names: p column names. outcome: (n,) numbers; 0 or 1 for a yes or
    no. cluster: (n,) whose observation it is; those of one patient need not be independent.
    Raises: ModelError where lengths differ, nothing is there, a number is not finite, a column has one value only, or
    a column is told already by others.
    """

    x: Floats
    names: tuple[str, ...]
    outcome: Floats
    cluster: Ints

    def __post_init__(self) -> None:
        n = len(self.outcome)
        if self.x.ndim != 2 or self.x.shape != (n, len(self.names)) or len(self.cluster) != n:
            raise ModelError("the columns of the observations have different lengths")
        if not n:
            raise ModelError("there is no observation")
        if not (np.isfinite(self.x).all() and np.isfinite(self.outcome).all()):
            raise ModelError("a covariate or an outcome is missing or not finite")
        if len(np.unique(self.cluster)) < 2:
            raise ModelError("all observations are of one patient")
        spread = self.x.std(axis=0)
        if constant := tuple(name for name, value in zip(self.names, spread, strict=True) if value < 1e-12):
            raise ModelError("the same value for everybody", constant)
        if repeated := self._repeated(spread):
            raise ModelError("told already by the other columns", repeated)

    @property
    def size(self) -> int:
        """Number of observations."""
        return len(self.outcome)

    @property
    def clusters(self) -> int:
        """Number of patients."""
        return len(np.unique(self.cluster))

    def design(self) -> Floats:
        """(n, p + 1): a column of ones, then the covariates."""
        return np.column_stack([np.ones(self.size), self.x])

    def taken(self, chosen: Bools | Ints) -> Observations:
        """Some of the observations."""
        return Observations(self.x[chosen], self.names, self.outcome[chosen], self.cluster[chosen])

    def _repeated(self, spread: Floats) -> tuple[str, ...]:
        if not self.names:
            return ()
        triangle = np.linalg.qr((self.x - self.x.mean(axis=0)) / spread / np.sqrt(self.size), mode="r")
        diagonal = np.zeros(len(self.names))
        diagonal[: len(triangle)] = np.abs(np.diag(triangle))
        return tuple(self.names[column] for column in np.flatnonzero(diagonal < 1e-7))


def clustered_covariance(influence: Floats, cluster: Ints) -> Floats:
    """Covariance (k, k) of coefficients from how far each observation pulls them, (n, k), added up by patient.

    With the factor for few patients G / (G - 1) * (n - 1) / (n - k) that is common for linear models (no exact
    source; statsmodels uses it too). Below about 40 patients it is too small all the same.
    Source: Liang & Zeger 1986, Biometrika 73:13-22.
    """
    _, place = np.unique(cluster, return_inverse=True)
    sums = np.column_stack([np.bincount(place, column) for column in influence.T])
    groups, (n, k) = len(sums), influence.shape
    return np.asarray(sums.T @ sums * groups / (groups - 1) * (n - 1) / max(n - k, 1))
