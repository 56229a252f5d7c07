"""Small cells against an attacker who solves linear programs over all that is shown.

Expected: *other software* (SciPy's HiGHS), set up here anew and apart from the code under test; *by hand* where said.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from pipelines.exports.suppression import Suppressed, suppress
from registry import GraftledgerError


def attack(table: Suppressed) -> dict[tuple[int, int], tuple[float, float]]:
    """For every hidden cell the least and the most it can be: each row and column written out as one equation."""
    hidden = [tuple(int(n) for n in place) for place in np.argwhere(table.counts < 0)]
    equations, totals = [], []
    for row in range(len(table.rows)):
        equations.append([1.0 if place[0] == row else 0.0 for place in hidden])
        totals.append(float(table.rows[row] - sum(n for n in table.counts[row] if n >= 0)))
    for column in range(len(table.columns)):
        equations.append([1.0 if place[1] == column else 0.0 for place in hidden])
        totals.append(float(table.columns[column] - sum(n for n in table.counts[:, column] if n >= 0)))
    found = {}
    for number, place in enumerate(hidden):
        aim = [1.0 if other == number else 0.0 for other in range(len(hidden))]
        least = linprog(aim, A_eq=equations, b_eq=totals).fun
        most = -linprog([-value for value in aim], A_eq=equations, b_eq=totals).fun
        found[place] = (least, most)
    return found


def test_the_attacker_wins_against_hiding_small_cells_alone() -> None:
    # by hand: 3 = 63 - 40 - 20
    counts = np.array([[40, 20, 3], [30, 25, 15], [20, 20, 20]])
    alone = Suppressed(np.where(counts == 3, -1, counts), counts == 3, counts.sum(axis=1), counts.sum(axis=0))
    assert attack(alone) == {(0, 2): (3.0, 3.0)}


def test_the_attacker_loses_against_secondary_suppression() -> None:
    counts = np.array([[40, 20, 3], [30, 25, 15], [20, 20, 20]])
    table = suppress(counts)
    least, most = attack(table)[(0, 2)]
    assert least < 3 < most
    assert most - least >= 2.5
    assert (table.counts >= 0).sum() >= 4  # more than half the table can still be read


@settings(max_examples=30)
@given(
    st.integers(2, 4).flatmap(
        lambda r: st.integers(2, 4).flatmap(
            lambda c: st.lists(st.integers(0, 60), min_size=r * c, max_size=r * c).map(
                lambda cells: np.array(cells).reshape(r, c)
            )
        )
    )
)
def test_no_small_cell_is_recovered(counts: np.ndarray) -> None:
    try:
        table = suppress(counts)
    except GraftledgerError:
        return
    found = attack(table)
    small = [(r, c) for r, c in itertools.product(*map(range, counts.shape)) if 0 < counts[r, c] < 11]
    for place in small:
        least, most = found[place]
        assert least <= counts[place] + 1e-6
        assert most >= counts[place] - 1e-6
        assert most - least >= max(counts[place], 2) - 0.5 - 1e-6
    shown = table.counts >= 0
    assert (table.counts[shown] == counts[shown]).all()


def test_a_table_that_its_totals_give_away_is_refused() -> None:
    with pytest.raises(GraftledgerError, match="totals give them away"):
        suppress(np.array([[3]]))


def test_large_counts_are_left_as_they_are() -> None:
    counts = np.array([[11, 50], [20, 0]])
    assert (suppress(counts).counts == counts).all()
