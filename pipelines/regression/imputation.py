"""Filling in missing covariates several times over, so that not knowing them widens the intervals."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from .spells import Bools, Floats, Ints

_DONORS = 5
_MOST_ROWS_TO_LEARN = 3_000
"""Rows of each bootstrap sample at most. Fewer rows than there are widen what is drawn a little, never narrow it."""
_PENALTY = 1e-3


@dataclass(frozen=True, eq=False)
class Variable:
    """A covariate with gaps. values: (n,) numbers, or places of levels from 0; not-a-number where missing.

    levels: how many levels; 0 for a number.
    """

    name: str
    values: Floats
    levels: int = 0


def imputed(
    variables: Sequence[Variable], known: Floats, count: int, seed: int, cycles: int = 4
) -> Iterator[dict[str, Floats]]:
    """Sets of completed covariates, by chained equations; each chain starts anew.

    In turn, each variable with gaps is regressed on all others, and its gaps are drawn: a number from the five people
    known whose prediction is nearest (predictive mean matching), a level by multinomial logistic regression. Each
    regression is learnt from a bootstrap sample, so that its own uncertainty enters.
    Assumes: whether a value is missing depends only on what is known here (missing at random). Nothing in the records
    can show that; where those without a value differ in ways not recorded, this misleads and complete cases may too.
    known: (n, q) columns without gaps. For a time to an event they must hold whether it happened and the cumulative
    hazard up to the end, or the ratios shrink (`cumulative_hazard`). count: sets. seed: of the random numbers.
    Source: van Buuren 2018, Flexible Imputation of Missing Data, 2nd ed., sections 3.4, 3.6, 4.5; White & Royston
    2009, Stat Med 28:1982-1998; Little 1988, J Bus Econ Stat 6:287-296 (matching).
    """
    gaps = [variable for variable in variables if np.isnan(variable.values).any()]
    gaps.sort(key=lambda variable: int(np.isnan(variable.values).sum()))
    for number in range(count):
        random = np.random.default_rng([seed, number])
        filled = {variable.name: _started(variable, random) for variable in variables}
        learnt: dict[str, Floats] = {}
        for _ in range(cycles):
            for variable in gaps:
                columns = _predictors(variables, filled, variable.name, known)
                missing = np.isnan(variable.values)
                draw = _drawn_level if variable.levels else _drawn_number
                filled[variable.name][missing] = draw(variable, columns, missing, random, learnt)
        yield filled


def cumulative_hazard(exit_days: Floats, entry_days: Floats, event: Floats) -> Floats:
    """Nelson-Aalen estimate between entry and exit, a predictor that imputation needs.

    Source: White & Royston 2009, Stat Med 28:1982-1998.
    """
    day, events = np.unique(exit_days[event > 0], return_counts=True)
    at_risk = (
        len(exit_days)
        - np.searchsorted(np.sort(exit_days), day, side="left")
        - (len(entry_days) - np.searchsorted(np.sort(entry_days), day, side="left"))
    )
    running = np.concatenate([[0.0], np.cumsum(events / at_risk)])
    return np.asarray(
        running[np.searchsorted(day, exit_days, side="right")] - running[np.searchsorted(day, entry_days, side="right")]
    )


def _started(variable: Variable, random: np.random.Generator) -> Floats:
    """Gaps filled with values of others at random, as a start."""
    values, missing = variable.values.copy(), np.isnan(variable.values)
    if missing.any():
        values[missing] = random.choice(values[~missing], int(missing.sum()))
    return values


def _predictors(variables: Sequence[Variable], filled: dict[str, Floats], without: str, known: Floats) -> Floats:
    """A column of ones, what is always known, and all other variables: numbers, or one column a level but the first."""
    columns = [np.ones(len(known)), *known.T]
    for variable in variables:
        if variable.name == without:
            continue
        values = filled[variable.name]
        columns += [values == level for level in range(1, variable.levels)] if variable.levels else [values]
    x = np.column_stack(columns).astype(float)
    spread = x.std(axis=0)
    moves = spread > 0
    x[:, moves] = (x[:, moves] - x[:, moves].mean(axis=0)) / spread[moves]
    return x


def _bootstrap(missing: Bools, random: np.random.Generator) -> Ints:
    rows = np.flatnonzero(~missing)
    return random.choice(rows, min(len(rows), _MOST_ROWS_TO_LEARN))


def _drawn_number(
    variable: Variable, x: Floats, missing: Bools, random: np.random.Generator, learnt: dict[str, Floats]
) -> Floats:
    donors = np.flatnonzero(~missing)
    drawn_rows = _bootstrap(missing, random)
    among_donors = x[donors] @ _least_squares(x[donors], variable.values[donors])
    among_missing = x[missing] @ _least_squares(x[drawn_rows], variable.values[drawn_rows])
    order = np.argsort(among_donors, kind="stable")
    nearest = np.searchsorted(among_donors[order], among_missing)[:, None] + np.arange(-_DONORS, _DONORS)
    nearest = np.clip(nearest, 0, len(donors) - 1)
    distance = np.abs(among_donors[order][nearest] - among_missing[:, None])
    closest = np.take_along_axis(nearest, np.argsort(distance, axis=1)[:, :_DONORS], axis=1)
    chosen = closest[np.arange(len(closest)), random.integers(0, closest.shape[1], len(closest))]
    return np.asarray(variable.values[donors[order[chosen]]])


def _least_squares(x: Floats, y: Floats) -> Floats:
    return np.asarray(np.linalg.solve(x.T @ x + _PENALTY * np.eye(x.shape[1]), x.T @ y))


def _drawn_level(
    variable: Variable, x: Floats, missing: Bools, random: np.random.Generator, learnt: dict[str, Floats]
) -> Floats:
    rows = _bootstrap(missing, random)
    start = learnt.get(variable.name)
    weights = learnt[variable.name] = _multinomial(x[rows], variable.values[rows].astype(int), variable.levels, start)
    share = _shares(x[missing], weights)
    return np.asarray((random.random(len(share))[:, None] > np.cumsum(share, axis=1)[:, :-1]).sum(axis=1), dtype=float)


def _shares(x: Floats, weights: Floats) -> Floats:
    """Share of each level, (n, levels); the first level has weights 0."""
    scores = np.column_stack([np.zeros(len(x)), x @ weights])
    scores = np.exp(scores - scores.max(axis=1, keepdims=True))
    return np.asarray(scores / scores.sum(axis=1, keepdims=True))


def _multinomial(x: Floats, level: Ints, levels: int, start: Floats | None) -> Floats:
    """Multinomial logistic regression, (columns, levels - 1), with a slight penalty for levels that nobody has."""
    from scipy.optimize import minimize

    shape = (x.shape[1], levels - 1)
    seen = np.zeros((len(x), levels - 1))
    seen[level > 0, level[level > 0] - 1] = 1

    def loss(flat: Floats) -> tuple[float, Floats]:
        weights = flat.reshape(shape)
        share = _shares(x, weights)
        value = -float(np.log(np.maximum(share[np.arange(len(x)), level], 1e-300)).mean())
        gradient = x.T @ (share[:, 1:] - seen) / len(x)
        return value + _PENALTY / 2 * float((weights**2).sum()), (gradient + _PENALTY * weights).ravel()

    begin = np.zeros(shape) if start is None else start
    best = minimize(loss, begin.ravel(), jac=True, method="L-BFGS-B", options={"maxiter": 40 if start is None else 15})
    return np.asarray(best.x.reshape(shape))
