"""Restricted cubic splines against other software and their definition."""

import numpy as np
import pytest

from pipelines.regression.spline import default_knots, spline_basis

KNOTS = (24.0, 33.0, 41.0, 60.0)


def test_other_software_patsy_spans_the_same_curves() -> None:
    """Other software: patsy's natural cubic spline `cr` with the same knots is another basis of the same space."""
    from patsy import build_design_matrices, dmatrix

    ages = np.linspace(18, 75, 200)
    inner = dmatrix("cr(age, knots=[33, 41], lower_bound=24, upper_bound=60) - 1", {"age": np.linspace(24, 60, 100)})
    theirs = np.asarray(build_design_matrices([inner.design_info], {"age": ages})[0])
    ours = np.column_stack([np.ones_like(ages), spline_basis(ages, KNOTS)])
    back = ours @ np.linalg.lstsq(ours, theirs, rcond=None)[0]
    np.testing.assert_allclose(back, theirs, atol=1e-8)
    assert ours.shape[1] == theirs.shape[1] == np.linalg.matrix_rank(ours)


def test_straight_beyond_the_outer_knots_and_smooth_within() -> None:
    """By the definition: no bend outside, and no jump of the second derivative at a knot."""
    fine = np.linspace(10, 80, 70_001)
    bend = np.diff(spline_basis(fine, KNOTS), n=2, axis=0) / (fine[1] - fine[0]) ** 2
    at = fine[1:-1]
    np.testing.assert_allclose(bend[(at < 23.9) | (at > 60.1)], 0, atol=1e-4)
    assert np.abs(np.diff(bend[:, 1:], axis=0)).max() < 1e-3


def test_knots_at_harrells_quantiles() -> None:
    """Recalled: Harrell 2015, table 2.3."""
    assert default_knots(np.arange(101.0), 4) == (5, 35, 65, 95)
    assert default_knots(np.ones(9), 3) == (1,)


@pytest.mark.parametrize("knots", [(1.0, 2.0), (1.0, 1.0, 2.0)])
def test_refuses_other_knots(knots: tuple[float, ...]) -> None:
    with pytest.raises(ValueError, match="at least three knots"):
        spline_basis(np.ones(3), knots)
