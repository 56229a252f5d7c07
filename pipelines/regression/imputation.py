"""Filling in missing covariates several times over, so that not knowing them widens the intervals."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from .spells import Bools, Floats, Ints

_DONORS = 5
_MOST_ROWS_TO_LEARN = 3_000
"""Rows of each bootstrap sample at most. Fewer rows than there are widen what is drawn a little, never narrow it."""
_MOST_DONORS = 10_000
_PENALTY = 1e-3
_MOST_STEPS = 12


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
    known whose prediction is nearest (predictive mean matching), a level by logistic regression of each level against
    the commonest. Each regression is learnt from a bootstrap sample, so that its own uncertainty enters.
    Assumes: whether a value is missing depends only on what is known here (missing at random). Nothing in the records
    can show that; where those without a value differ in ways not recorded, this misleads and complete cases may too.
    known: (n, q) columns without gaps. For a time to an event they must hold whether it happened and the cumulative
    hazard up to the end, or the ratios shrink (`cumulative_hazard`). count: sets. seed: of the random numbers.
    Source: van Buuren 2018, Flexible Imputation of Missing Data, 2nd ed., sections 3.4, 3.6, 4.5; White & Royston
    2009, Stat Med 28:1982-1998; Little 1988, J Bus Econ Stat 6:287-296 (matching).
    """
    gaps = [variable for variable in variables if np.isnan(variable.values).any()]
    gaps.sort(key=lambda variable: int(np.isnan(variable.values).sum()))
    known = (known - known.mean(axis=0)) / np.where(known.std(axis=0) > 0, known.std(axis=0), 1.0)
    for number in range(count):
        random = np.random.default_rng([seed, number])
        filled = {variable.name: _started(variable, random) for variable in variables}
        for _ in range(cycles):
            for variable in gaps:
                missing = np.flatnonzero(np.isnan(variable.values))
                donors = np.flatnonzero(~np.isnan(variable.values))
                if len(donors) > _MOST_DONORS:
                    donors = random.choice(donors, _MOST_DONORS, replace=False)
                others = [other for other in variables if other is not variable]
                x_missing, x_donors = (_predictors(others, filled, known, rows) for rows in (missing, donors))
                draw = _drawn_level if variable.levels else _drawn_number
                filled[variable.name][missing] = draw(x_missing, x_donors, variable.values[donors], random)
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


def _predictors(others: Sequence[Variable], filled: dict[str, Floats], known: Floats, rows: Ints) -> Floats:
    """A column of ones, what is always known, and all other variables: numbers, or one column a level but the first."""
    columns = [np.ones(len(rows)), *known[rows].T]
    for variable in others:
        values = filled[variable.name][rows]
        if variable.levels:
            columns += [values == level for level in range(1, variable.levels)]
        else:
            spread = float(np.nanstd(variable.values))
            columns.append((values - float(np.nanmean(variable.values))) / (spread or 1.0))
    return np.column_stack(columns).astype(float)


def _bootstrap(size: int, random: np.random.Generator) -> Ints:
    return random.integers(0, size, min(size, _MOST_ROWS_TO_LEARN))


def _drawn_number(x: Floats, x_donors: Floats, values: Floats, random: np.random.Generator) -> Floats:
    """A value for each row of x, from the donors whose prediction is nearest."""
    learnt = _bootstrap(len(values), random)
    among_donors = x_donors @ _least_squares(x_donors, values)
    among_missing = x @ _least_squares(x_donors[learnt], values[learnt])
    order = np.argsort(among_donors, kind="stable")
    nearest = np.searchsorted(among_donors[order], among_missing)[:, None] + np.arange(-_DONORS, _DONORS)
    nearest = np.clip(nearest, 0, len(values) - 1)
    distance = np.abs(among_donors[order][nearest] - among_missing[:, None])
    closest = np.take_along_axis(nearest, np.argsort(distance, axis=1)[:, :_DONORS], axis=1)
    chosen = closest[np.arange(len(closest)), random.integers(0, closest.shape[1], len(closest))]
    return np.asarray(values[order[chosen]])


def _least_squares(x: Floats, y: Floats) -> Floats:
    return np.asarray(np.linalg.solve(x.T @ x + _PENALTY * np.eye(x.shape[1]), x.T @ y))


def _drawn_level(x: Floats, x_donors: Floats, values: Floats, random: np.random.Generator) -> Floats:
    """A level for each row of x."""
    learnt = _bootstrap(len(values), random)
    scores = x @ _level_weights(x_donors[learnt], values[learnt].astype(int), int(values.max()) + 1)
    share = np.exp(scores - scores.max(axis=1, keepdims=True))
    reached = np.cumsum(share, axis=1) / share.sum(axis=1, keepdims=True)
    return np.asarray((random.random(len(share))[:, None] > reached[:, :-1]).sum(axis=1), dtype=float)


def _level_weights(x: Floats, level: Ints, levels: int) -> Floats:
    """Multinomial logistic regression as one regression of each level against the commonest, (columns, levels).

    A level that nobody has gets no chance. Source: Begg & Gray 1984, Biometrika 71:11-18.
    """
    counts = np.bincount(level, minlength=levels)
    common = int(counts.argmax())
    weights = np.zeros((x.shape[1], levels))
    for other in range(levels):
        if other != common and counts[other]:
            rows = (level == common) | (level == other)
            weights[:, other] = _logistic(x[rows], level[rows] == other)
        elif not counts[other]:
            weights[0, other] = -50.0
    return weights


def _logistic(x: Floats, yes: Bools) -> Floats:
    """Logistic regression with a slight penalty, so that a level that one column tells apart keeps a finite weight."""
    weights = np.zeros(x.shape[1])
    weights[0] = np.log(yes.mean() / (1 - yes.mean()))
    penalty = np.full(x.shape[1], 1.0)
    penalty[0] = 1e-6
    for _ in range(_MOST_STEPS):
        share = 1 / (1 + np.exp(-np.clip(x @ weights, -30, 30)))
        gradient = x.T @ (yes - share) - penalty * weights
        step = np.linalg.solve((x * (share * (1 - share))[:, None]).T @ x + np.diag(penalty), gradient)
        weights = weights + step * min(1.0, 4 / max(float(np.abs(step).max()), 1e-12))
        if np.abs(step).max() < 1e-4:
            break
    return weights
