"""Small cells of a table of counts, hidden so that the margins do not give them away."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from registry.errors import GraftledgerError

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
_SURE = 0.5
"""Bounds of a count that are closer than this name it."""


@dataclass(frozen=True, eq=False)
class Suppressed:
    """A table of r rows and c columns with its margins, which are all shown.

    counts: (r, c), -1 where hidden. first: (r, c), hidden because small; the other hidden cells protect these.
    rows, columns: (r,) and (c,) totals.
    """

    counts: Ints
    first: Bools
    rows: Ints
    columns: Ints


def suppress(counts: Ints, floor: int = 11) -> Suppressed:
    """Hide every count from 1 to floor - 1, and as many more as it takes.

    An attacker knows all margins and all cells that are shown, and that no count is below 0. After suppression the
    smallest and the largest value that each small cell could have (two linear programs a cell) lie apart by its own
    size or more and 2 at least, so that no cell can be worked out, nor nearly. While that fails for a cell, the
    three other corners of the cheapest rectangle around it are hidden too. Greedy: it may hide more than needed.
    Tables that share cells with another must be judged together by hand.
    counts: (r, c), 0 or more. floor: smallest count that may be shown, 2 or more.
    Raises: GraftledgerError where the margins themselves give a cell away, as in a table of one row.
    Source: the attack of Fischetti & Salazar 2000, Math Oper Res 25 (audit of cell suppression by linear programs),
    recalled; the sliding protection by the cell's own size is common practice, no source.
    """
    counts = np.asarray(counts, dtype=np.int64)
    first = (counts > 0) & (counts < floor)
    hidden = first.copy()
    while True:
        exposed = _exposed(counts, first, hidden)
        if exposed is None:
            shown = np.where(hidden, -1, counts)
            return Suppressed(shown, first, counts.sum(axis=1), counts.sum(axis=0))
        more = _rectangle(counts, hidden, *exposed)
        if more is None:
            raise GraftledgerError(
                "The table has so few counts that its totals give them away. Show it without totals, or coarser."
            )
        hidden |= more


def _rectangle(counts: Ints, hidden: Bools, row: int, column: int) -> Bools | None:
    """The cheapest rectangle with a corner at a cell, of which something is still shown; else the smallest shown cell.

    What is hidden moves around a rectangle without a change of any total. A zero cannot shrink, so it costs most.
    """
    cost = np.where(hidden, 0, np.where(counts > 0, counts, counts.max() + 1))
    best: tuple[int, Bools] | None = None
    for other_row in range(counts.shape[0]):
        for other_column in range(counts.shape[1]):
            corners = np.zeros_like(hidden)
            corners[np.ix_([row, other_row], [column, other_column])] = True
            if other_row == row or other_column == column or not (corners & ~hidden).any():
                continue
            total = int(cost[corners].sum())
            if best is None or total < best[0]:
                best = (total, corners)
    if best is not None:
        return best[1]
    if hidden.all():
        return None
    one = np.zeros_like(hidden)
    one.flat[int(np.where(hidden, np.iinfo(np.int64).max, cost).argmin())] = True
    return one


def bounds(shown: Ints, rows: Ints, columns: Ints) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """The least and the most that each cell could be, by all that is shown: what an attacker can work out.

    shown: (r, c), -1 where hidden. rows, columns: totals.
    """
    from scipy.optimize import linprog

    places = np.argwhere(shown < 0)
    known = np.where(shown < 0, 0, shown)
    low, high = known.astype(float), known.astype(float)
    if not len(places):
        return low, high
    sums = np.zeros((len(rows) + len(columns), len(places)))
    sums[places[:, 0], np.arange(len(places))] = 1.0
    sums[len(rows) + places[:, 1], np.arange(len(places))] = 1.0
    left = np.concatenate([rows - known.sum(axis=1), columns - known.sum(axis=0)]).astype(float)
    for number, (row, column) in enumerate(places):
        for sign, into in ((1.0, low), (-1.0, high)):
            aim = np.zeros(len(places))
            aim[number] = sign
            into[row, column] = sign * float(linprog(aim, A_eq=sums, b_eq=left, bounds=(0, None)).fun or 0.0)
    return low, high


def _exposed(counts: Ints, first: Bools, hidden: Bools) -> tuple[int, int] | None:
    """A small cell that what is shown gives away, or nearly; None where there is none."""
    low, high = bounds(np.where(hidden, -1, counts), counts.sum(axis=1), counts.sum(axis=0))
    apart = np.maximum(counts, 2)
    open_cells = np.argwhere(first & (high - low < apart - _SURE))
    return (int(open_cells[0][0]), int(open_cells[0][1])) if len(open_cells) else None
