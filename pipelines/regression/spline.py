"""Restricted cubic splines: a smooth curve that is straight beyond its outer knots."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from .spells import Floats

_QUANTILES = {
    3: (0.10, 0.50, 0.90),
    4: (0.05, 0.35, 0.65, 0.95),
    5: (0.05, 0.275, 0.5, 0.725, 0.95),
}
"""Harrell 2015, table 2.3 (recalled)."""


def default_knots(values: Floats, count: int = 4) -> tuple[float, ...]:
    """Knots at fixed quantiles of the values, each once; fewer where values tie. count: 3 to 5.

    Source: Harrell 2015, Regression Modeling Strategies, 2nd ed., section 2.4.6 and table 2.3.
    """
    return tuple(dict.fromkeys(float(knot) for knot in np.quantile(values, _QUANTILES[count])))


def spline_basis(values: Floats, knots: Sequence[float]) -> Floats:
    """The k - 1 columns of a restricted cubic spline with k knots: the value itself, then k - 2 curved ones.

    Divided by the square of the span of the knots, so that all columns have the unit of the value. Straight beyond
    the outer knots, which steadies the ends but is no leave to read them where there are no people.
    values: (n,). knots: at least 3, ascending. Returns (n, k - 1).
    Raises: ValueError for fewer knots or knots out of order.
    Source: Harrell 2015, Regression Modeling Strategies, 2nd ed., section 2.4.5, equation 2.25.

    >>> spline_basis(np.array([0.0, 4.0]), [1, 2, 3]).tolist()
    [[0.0, 0.0], [4.0, 3.0]]
    """
    at = np.asarray(knots, dtype=float)
    if len(at) < 3 or (np.diff(at) <= 0).any():
        raise ValueError("a restricted cubic spline needs at least three knots in ascending order")

    def cube(distance: Floats) -> Floats:
        return np.asarray(np.clip(distance, 0, None) ** 3)

    last, before = at[-1], at[-2]
    columns = [np.asarray(values, dtype=float)]
    for knot in at[:-2]:
        curved = (
            cube(values - knot)
            - cube(values - before) * (last - knot) / (last - before)
            + cube(values - last) * (before - knot) / (last - before)
        )
        columns.append(curved / (last - at[0]) ** 2)
    return np.column_stack(columns)
