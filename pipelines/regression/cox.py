"""Cox regression: how a hazard differs between people, the same way at all times."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ._risk_sets import Stratum, strata
from .errors import ModelError
from .spells import Floats, Spells

_MOST_STEPS = 30
_LARGEST_LOG_RATIO = 15.0
"""A coefficient beyond this, per standard deviation, has no best value: a group without, or with only, events."""


@dataclass(frozen=True, eq=False)
class CoxFit:
    """A fitted model.

    coefficients: (p,) log hazard ratios per unit. model_covariance: (p, p), as if spells were independent.
    covariance: (p, p), robust, patients as clusters. log_likelihood: at 0 and at the coefficients.
    influence: (n, p) how far each spell pulls each coefficient (dfbeta, to first order).
    n, n_clusters, events: counts behind it.
    """

    names: tuple[str, ...]
    coefficients: Floats
    model_covariance: Floats
    covariance: Floats
    log_likelihood: tuple[float, float]
    influence: Floats
    n: int
    n_clusters: int
    events: int

    @property
    def standard_errors(self) -> Floats:
        """Robust standard errors of the log hazard ratios."""
        return np.asarray(np.sqrt(np.diag(self.covariance)))


def fit_cox(spells: Spells, start: Floats | None = None) -> CoxFit:
    """Maximise Cox's partial likelihood, with delayed entry, strata, weights and ties after Efron.

    Assumes: within a stratum, hazards of any two people stay in one proportion over time and with each covariate as
    it was entered; entry and loss carry no news of the hazard given the covariates. Misleads where either fails
    (see `proportional_hazards_test`), where events are few for the columns, and where ratios are read as causes.
    The robust variance sums influences by cluster (no small-sample factor), so it needs many clusters: below about 50
    it is too small.
    Own code, since lifelines with delayed entry took 70 to 200 s for 20,000 spells and 18 columns where this takes
    1 s; the tests hold it against R coxph, and against lifelines where nobody enters late.
    start: (p,) coefficients to start from, such as those of nearly the same spells; 0 if left out.
    Raises: ModelError where there is no event, a column says nothing new, or a coefficient grows without bound.
    Source: Cox 1972, J R Stat Soc B 34:187-220; Efron 1977, JASA 72:557-565; Lin & Wei 1989, JASA 84:1074-1078.
    """
    if not spells.event.any():
        raise ModelError("no spell ends in an event")
    spread = spells.x.std(axis=0)
    _refuse_repeats(spells, spread)
    # columns at right angles: those of a spline tell nearly the same, and the search would see only their differences
    square, upper = np.linalg.qr((spells.x - spells.x.mean(axis=0)) / spread)
    back = np.linalg.inv(upper / np.sqrt(spells.size)) / spread[:, None]
    straight = np.asarray(square * np.sqrt(spells.size), dtype=np.float64)
    begin = np.zeros(len(spread)) if start is None else np.linalg.solve(back, start)
    beta, at_zero, at_best, information = _search(spells, straight, begin)
    model_covariance = np.asarray(np.linalg.inv(information), dtype=np.float64)
    influence = _scores(spells, straight, beta) @ model_covariance @ back.T
    return CoxFit(
        spells.names,
        back @ beta,
        back @ model_covariance @ back.T,
        covariance_by_cluster(influence, spells),
        (at_zero, at_best),
        influence,
        spells.size,
        len(np.unique(spells.cluster)),
        int(spells.event.sum()),
    )


def covariance_by_cluster(influence: Floats, spells: Spells) -> Floats:
    """Sum of squares of the influences, after adding up those of each cluster."""
    _, place = np.unique(spells.cluster, return_inverse=True)
    sums = np.column_stack([np.bincount(place, column) for column in influence.T])
    return np.asarray(sums.T @ sums)


def likelihood(spells: Spells, x: Floats, beta: Floats) -> tuple[float, Floats, Floats]:
    """Log partial likelihood, its gradient (p,) and its information (p, p)."""
    predictor = x @ beta
    value = float(spells.weight[spells.event] @ predictor[spells.event])
    gradient = spells.weight[spells.event] @ x[spells.event]
    information = np.zeros((x.shape[1], x.shape[1]))
    for stratum in strata(spells, x, predictor):
        value -= float(stratum.weight @ np.log(stratum.denominator))
        gradient = gradient - stratum.weight @ stratum.mean
        own = x[stratum.rows]
        information += (own * exposure(spells, stratum, stratum.step)[:, None]).T @ own
        information -= (stratum.mean * stratum.weight[:, None]).T @ stratum.mean
    return value, gradient, information


def likelihood_value(spells: Spells, predictor: Floats) -> float:
    """Log partial likelihood alone, at a linear predictor."""
    value = float(spells.weight[spells.event] @ predictor[spells.event])
    for stratum in strata(spells, np.zeros((spells.size, 0)), predictor):
        value -= float(stratum.weight @ np.log(stratum.denominator))
    return value


def exposure(spells: Spells, stratum: Stratum, step: Floats) -> Floats:
    """Each spell's risk times the hazard it went through, less what Efron takes from those tied on a day.

    step: (e,) hazard of each event row, or that times any function of its day.
    """
    through = stratum.between(spells, stratum.by_day(step))
    own, days = stratum.own_day(spells)
    through[own] -= stratum.by_day(stratum.share * step)[days]
    return np.asarray(stratum.risk * through)


def _search(spells: Spells, x: Floats, beta: Floats) -> tuple[Floats, float, float, Floats]:
    """Newton's method, halving a step that does not climb. Returns beta, log likelihood at 0 and there, information."""
    at_zero = likelihood_value(spells, np.zeros(spells.size))
    value, gradient, information = likelihood(spells, x, beta)
    for _ in range(_MOST_STEPS):
        _refuse_unbounded(spells, information)
        step = np.linalg.solve(information, gradient)
        if gradient @ step < 1e-18 * max(1.0, abs(value)):
            return beta, at_zero, value, information
        for halving in range(20):
            tried = beta + step / 2**halving
            if np.abs(tried).max() > _LARGEST_LOG_RATIO:
                continue
            new_value, new_gradient, new_information = likelihood(spells, x, tried)
            if np.isfinite(new_value) and new_value >= value - 1e-10 * abs(value):
                break
        else:
            break
        beta, value, gradient, information = tried, new_value, new_gradient, new_information
    raise ModelError("no finite best value was found", (_worst(spells),))


def _refuse_unbounded(spells: Spells, information: Floats) -> None:
    if np.linalg.eigvalsh(information)[0] < 1e-9 * spells.event.sum():
        raise ModelError("a ratio without bound (a group has no events, or all of them)", (_worst(spells),))


def _worst(spells: Spells) -> str:
    """The column that most likely has no bound: of two values, with the fewest events at one of them.

    Where all columns have many values, the one whose values at events vary least.
    """
    at_events = spells.x[spells.event]
    yes_or_no = [column for column in range(spells.x.shape[1]) if len(np.unique(spells.x[:, column])) == 2]
    if yes_or_no:
        high = (at_events[:, yes_or_no] == spells.x[:, yes_or_no].max(axis=0)).sum(axis=0)
        return spells.names[yes_or_no[int(np.minimum(high, len(at_events) - high).argmin())]]
    return spells.names[int((at_events.std(axis=0) / spells.x.std(axis=0)).argmin())]


def _refuse_repeats(spells: Spells, spread: Floats) -> None:
    """A column that is constant, or a sum of others, has no coefficient of its own."""
    constant = tuple(name for name, value in zip(spells.names, spread, strict=True) if value < 1e-12)
    if constant:
        raise ModelError("the same value for everybody", constant)
    if repeated := repeated_columns(spells):
        raise ModelError("told already by the other columns", repeated)


def repeated_columns(spells: Spells) -> tuple[str, ...]:
    """Names of columns that are constant or, within strata, a sum of multiples of earlier ones."""
    _, place = np.unique(spells.stratum, return_inverse=True)
    counts = np.bincount(place)
    centred = np.column_stack([column - (np.bincount(place, column) / counts)[place] for column in spells.x.T])
    norms = np.linalg.norm(centred, axis=0)
    triangle = np.linalg.qr(centred / np.where(norms > 0, norms, 1.0), mode="r")
    diagonal = np.zeros(len(norms))
    diagonal[: len(triangle)] = np.abs(np.diag(triangle))
    return tuple(spells.names[column] for column in np.flatnonzero(diagonal < 1e-7))


def _scores(spells: Spells, x: Floats, beta: Floats) -> Floats:
    """Score residuals, (n, p): what each spell adds to the gradient.

    Source: Therneau, Grambsch & Fleming 1990, Biometrika 77:147-160; ties after Efron as in Therneau & Grambsch 2000.
    """
    scores = np.zeros_like(x)
    for stratum in strata(spells, x, x @ beta):
        own, days = stratum.own_day(spells)
        rows = stratum.rows
        tied = np.bincount(stratum.at)
        hazard_mean = stratum.step[:, None] * stratum.mean
        through = stratum.between(spells, stratum.by_day(hazard_mean))
        through[own] -= stratum.by_day(stratum.share[:, None] * hazard_mean)[days]
        scores[rows] = stratum.risk[:, None] * through - exposure(spells, stratum, stratum.step)[:, None] * x[rows]
        mean = stratum.by_day(stratum.mean) / tied[:, None]
        scores[rows[own]] += spells.weight[rows[own], None] * (x[rows[own]] - mean[days])
    return scores
