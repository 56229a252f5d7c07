"""Ordinal regression with proportional odds: how the odds of a higher rating differ, the same at every cut."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from .errors import ModelError, SeparationError
from .logistic import fit_logistic, risk
from .observations import Observations, clustered_covariance
from .spells import Floats, Ints

_MOST_STEPS = 60
_LARGEST_LOG_ODDS = 25.0
"""Log odds that differ by more between the ends of a column have no best value."""


@dataclass(frozen=True, eq=False)
class OrdinalFit:
    """A fitted model.

    levels: (c + 1,) the ratings there are. cuts: (c,) log odds of each rating but the lowest or a higher one, where
    all columns are 0. slopes: (p,) log odds ratios of a higher rating. slope_covariance: (p, p), by patient.
    model_errors: (c + p,) as if observations were independent, cuts first. log_likelihood. n, n_clusters: counts.
    """

    names: tuple[str, ...]
    levels: Floats
    cuts: Floats
    slopes: Floats
    slope_covariance: Floats
    model_errors: Floats
    log_likelihood: float
    n: int
    n_clusters: int


def fit_ordinal(observations: Observations) -> OrdinalFit:
    """Maximise the likelihood of proportional odds, with robust errors, patients as clusters.

    Assumes: one odds ratio of a higher against a lower rating, wherever the line between them is drawn
    (`proportional_odds_test`); else the ratio is an average over cuts. Ratings count by their order alone.
    Raises: ModelError where all ratings are the same; SeparationError where a slope has no bound.
    Source: McCullagh 1980, J R Stat Soc B 42:109-142.
    """
    levels, place = np.unique(observations.outcome, return_inverse=True)
    if len(levels) < 2:
        raise ModelError("the outcome is the same everywhere")
    cuts = len(levels) - 1
    spread = observations.x.std(axis=0)
    centre = observations.x.mean(axis=0)
    x = (observations.x - centre) / spread
    above = np.array([(place > cut).mean() for cut in range(cuts)])
    theta = np.r_[np.log(above / (1 - above)), np.zeros(x.shape[1])]
    upper, lower = _designs(x, place, cuts)
    value, score, information = _likelihood(theta, upper, lower, place, cuts)
    for _ in range(_MOST_STEPS):
        gradient = score.sum(axis=0)
        step = np.linalg.solve(information, gradient)
        if gradient @ step < 1e-10:
            break
        for halving in range(30):
            tried = theta + step / 2**halving
            if (np.diff(tried[:cuts]) < 0).all():
                found = _likelihood(tried, upper, lower, place, cuts)
                if found[0] >= value - 1e-10:
                    break
        else:
            break
        theta, (value, score, information) = tried, found
        reached = np.abs(theta[cuts:]) * np.ptp(x, axis=0)
        if (reached > _LARGEST_LOG_ODDS).any():
            raise SeparationError("a ratio without bound", (observations.names[int(reached.argmax())],))
    else:
        raise ModelError("no finite best value was found")
    inverse = np.asarray(np.linalg.inv(information), dtype=np.float64)
    robust = clustered_covariance(score @ inverse, observations.cluster)[cuts:, cuts:]
    slopes = theta[cuts:] / spread
    errors = np.sqrt(np.diag(inverse))
    return OrdinalFit(
        observations.names,
        levels,
        theta[:cuts] - centre @ slopes,
        slopes,
        robust / np.outer(spread, spread),
        np.r_[errors[:cuts], errors[cuts:] / spread],
        value,
        observations.size,
        observations.clusters,
    )


def proportional_odds_test(
    observations: Observations, places: Mapping[str, Sequence[int]], least: float = 0.1
) -> dict[str, float]:
    """For each covariate, the p value of its odds ratio being the same at several cuts; and of all, under `all`.

    An ordinary logistic regression at each of at most three cuts, of which each side holds at least a share `least`;
    their coefficients compared by a Wald test that takes the patients of all cuts together. Empty where there are
    fewer than two such cuts, or one cannot be fitted; a level that is all on one side of a cut is left out with its
    rows. A large p is no proof: with few patients nothing shows.
    places: columns of each covariate.
    Source: Brant 1990, Biometrics 46:1171-1178, here with robust errors by patient.
    """
    from scipy.stats import chi2

    levels = np.unique(observations.outcome)[1:]
    above = np.array([(observations.outcome >= level).mean() for level in levels])
    usable = levels[(above >= least) & (above <= 1 - least)]
    cuts = np.unique(usable[np.linspace(0, len(usable) - 1, min(3, len(usable))).round().astype(int)])
    if len(cuts) < 2:
        return {}
    width = len(observations.names)
    slopes, influence = [], []
    for cut in cuts:
        sides = (observations.outcome >= cut).astype(float)
        try:
            fit = fit_logistic(Observations(observations.x, observations.names, sides, observations.cluster))
        except SeparationError as problem:
            return _without(observations, places, problem.columns[0], least)
        except ModelError:
            return {}
        slopes.append(fit.slopes)
        influence.append(fit.influence[:, 1:])
    covariance = clustered_covariance(np.column_stack(influence), observations.cluster)
    beside = np.kron(np.column_stack([-np.ones(len(cuts) - 1), np.eye(len(cuts) - 1)]), np.eye(width))
    difference, of_difference = beside @ np.concatenate(slopes), beside @ covariance @ beside.T
    found: dict[str, float] = {}
    for name, own in (*places.items(), ("all", [place for each in places.values() for place in each])):
        rows = [cut * width + place for cut in range(len(cuts) - 1) for place in own]
        part = difference[rows]
        statistic = float(part @ np.linalg.pinv(of_difference[np.ix_(rows, rows)]) @ part)
        found[name] = float(chi2.sf(statistic, len(rows)))
    return found


def _without(
    observations: Observations, places: Mapping[str, Sequence[int]], name: str, least: float
) -> dict[str, float]:
    """The check without a level."""
    gone = observations.names.index(name)
    rows, kept = observations.x[:, gone] == 0, [place for place in range(len(observations.names)) if place != gone]
    left = {each: [kept.index(place) for place in own if place != gone] for each, own in places.items()}
    try:
        part = Observations(
            observations.x[rows][:, kept],
            tuple(observations.names[place] for place in kept),
            observations.outcome[rows],
            observations.cluster[rows],
        )
    except ModelError:
        return {}
    return proportional_odds_test(part, {each: own for each, own in left.items() if own}, least)


def _designs(x: Floats, place: Ints, cuts: int) -> tuple[Floats, Floats]:
    """The columns of the log odds of each one's own rating or higher, and of a higher one: cuts first, then slopes."""
    n = len(place)
    upper, lower = (np.zeros((n, cuts + x.shape[1])) for _ in range(2))
    for design, at in ((upper, place - 1), (lower, place)):
        rows = np.flatnonzero((at >= 0) & (at < cuts))
        design[rows, at[rows]] = 1.0
        design[rows, cuts:] = x[rows]
    return upper, lower


def _likelihood(theta: Floats, upper: Floats, lower: Floats, place: Ints, cuts: int) -> tuple[float, Floats, Floats]:
    """Log likelihood, (n, k) what each one adds to its gradient, and (k, k) information."""
    at_least = np.where(place > 0, risk(upper @ theta), 1.0)
    higher = np.where(place < cuts, risk(lower @ theta), 0.0)
    share = np.maximum(at_least - higher, 1e-300)
    slope_u, slope_l = at_least * (1 - at_least), higher * (1 - higher)
    first, second = slope_u / share, slope_l / share
    score = upper * first[:, None] - lower * second[:, None]
    curve_u, curve_l = (slope * (1 - 2 * one) / share for slope, one in ((slope_u, at_least), (slope_l, higher)))
    information = score.T @ score - (upper * curve_u[:, None]).T @ upper + (lower * curve_l[:, None]).T @ lower
    return float(np.log(share).sum()), score, information
