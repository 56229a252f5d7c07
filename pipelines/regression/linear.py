"""Linear regression: how a mean differs, with errors that allow for several sessions of a patient and any spread."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .errors import ModelError
from .few_patients import bias_reduced_scores
from .observations import Observations
from .spells import Floats


@dataclass(frozen=True, eq=False)
class LinearFit:
    """A fitted model. Arrays of p + 1 begin with the intercept.

    coefficients: differences of the mean per unit. covariance: by patient, whatever the spread. residual: (n,) outcome
    less what the model says. n, n_clusters: counts behind it.
    """

    names: tuple[str, ...]
    coefficients: Floats
    covariance: Floats
    residual: Floats
    n: int
    n_clusters: int

    @property
    def slopes(self) -> Floats:
        """(p,) the coefficients without the intercept."""
        return self.coefficients[1:]

    @property
    def slope_covariance(self) -> Floats:
        """(p, p) their covariance."""
        return self.covariance[1:, 1:]


def fit_linear(observations: Observations) -> LinearFit:
    """Least squares, with robust errors, patients as clusters.

    Assumes: the mean is a straight line in each column as it was entered. Asks nothing of the spread or the shape, but
    tells of means alone: a few very large outcomes pull it. Errors are bias-reduced (`bias_reduced_scores`), for few
    patients; take them with Student's t on patients less coefficients.
    Raises: ModelError where the outcome has one value, or there are no more observations than coefficients.
    Source: White 1980, Econometrica 48:817-838; Liang & Zeger 1986, Biometrika 73:13-22; Mancl & DeRouen 2001,
    Biometrics 57:126-134.
    """
    x, y = observations.design(), observations.outcome
    if y.min() == y.max():
        raise ModelError("the outcome is the same everywhere")
    if len(y) <= x.shape[1]:
        raise ModelError("there are fewer observations than coefficients")
    inverse = np.asarray(np.linalg.inv(x.T @ x), dtype=np.float64)
    coefficients = np.asarray(inverse @ (x.T @ y), dtype=np.float64)
    residual = y - x @ coefficients
    scores = bias_reduced_scores(x, np.ones(len(y)), residual, observations.cluster) @ inverse
    return LinearFit(
        observations.names,
        coefficients,
        np.asarray(scores.T @ scores),
        residual,
        observations.size,
        observations.clusters,
    )
