"""The likelihood of masses on innermost intervals, and its maximum: EM and iterative convex minorant in turn."""

from dataclasses import dataclass

import numpy as np

from pipelines.estimators.counts import Ints
from pipelines.estimators.limits import Floats

STEPS = 20_000
# Without a smaller gap for so many steps, only rounding is left: masses of 1e-8 beside 1 have no more digits.
WITHOUT_GAIN = 500
# A step of the convex minorant must gain at least this share of what its slope promises, or it is halved.
SUFFICIENT, SHORTEST = 1e-4, 1e-9
# A start has at least this share of equal masses: a mass of 0 would stay so in EM.
EQUAL = 1e-3


@dataclass(frozen=True, eq=False)
class MassFit:
    """mass: (m,), adds up to 1. log_likelihood: total. gap, iterations: see `TurnbullCurve`."""

    mass: Floats
    log_likelihood: float
    gap: float
    iterations: int


def fitted_masses(
    first: Ints, past: Ints, count: Floats, m: int, tolerance: float, start: Floats | None = None
) -> MassFit:
    """Masses with the highest likelihood, count_i x log(mass from first_i up to but not including past_i), summed.

    first, past: (K,) places among the m innermost intervals, 0 <= first < past <= m. count: (K,) above 0.
    The gap is max_k E_k - 1, where E_k is the mean over people of [k in their interval] / mass of their interval:
    at the maximum it is 0, and nowhere is the mean log-likelihood further below its maximum than the gap.
    EM multiplies mass k by E_k; the convex minorant step moves the distribution function along its gradient, scaled
    by the diagonal of the Hessian and made monotone (a weighted isotonic regression), halved until it gains enough.
    start: (m,) the distribution function to start from, ascending, 0-1; equal masses if left out.
    """
    first, past, count = _merged(first, past, count, m)
    people = count.sum()
    share = count / people
    reached = np.linspace(0.0, 1.0, m + 1)
    if start is not None:
        reached[1:m] = EQUAL * reached[1:m] + (1.0 - EQUAL) * start[: m - 1]
    best, smallest, gained_at = reached, np.inf, 0
    for iteration in range(STEPS + 1):
        pull = share / (reached[past] - reached[first])
        change = np.bincount(first, pull, m + 1) - np.bincount(past, pull, m + 1)
        expected = np.cumsum(change)[:m]
        gap = float(expected.max()) - 1.0
        if gap < smallest:
            best, smallest, gained_at = reached, gap, iteration
        if gap <= tolerance or iteration - gained_at >= WITHOUT_GAIN:
            break
        mass = np.diff(reached) * expected
        reached = np.concatenate([[0.0], np.cumsum(mass / mass.sum())])
        reached[m] = 1.0
        if m > 1:
            reached = _minorant_step(reached, first, past, share, m)
    log_likelihood = float(count @ np.log(best[past] - best[first]))
    return MassFit(np.diff(best), log_likelihood, max(smallest, 0.0), iteration)


def _merged(first: Ints, past: Ints, count: Floats, m: int) -> tuple[Ints, Ints, Floats]:
    """Intervals that cover the same innermost intervals are one."""
    kinds, place = np.unique(first * (m + 1) + past, return_inverse=True)
    return kinds // (m + 1), kinds % (m + 1), np.bincount(place, count).astype(np.float64)


def _minorant_step(reached: Floats, first: Ints, past: Ints, share: Floats, m: int) -> Floats:
    """One step; the distribution function as it was where no step gains."""
    from scipy.optimize import isotonic_regression

    covered = reached[past] - reached[first]
    value, pull = share @ np.log(covered), share / covered
    slope = (np.bincount(past, pull, m + 1) - np.bincount(first, pull, m + 1))[1:m]
    bend = (np.bincount(past, pull / covered, m + 1) + np.bincount(first, pull / covered, m + 1))[1:m]
    aim = np.clip(isotonic_regression(reached[1:m] + slope / bend, weights=bend).x, 0.0, 1.0)
    step = np.concatenate([[0.0], aim - reached[1:m], [0.0]])
    promised, length = SUFFICIENT * float(slope @ step[1:m]), 1.0
    while length > SHORTEST:
        moved = reached + length * step
        covered = moved[past] - moved[first]
        if covered.min() > 0.0 and share @ np.log(covered) >= value + length * promised:
            return np.asarray(moved)
        length /= 2.0
    return reached
