"""The test of proportional hazards against other software."""

from typing import Any

import numpy as np
import pandas as pd
import pytest

from pipelines.regression.cox import fit_cox
from pipelines.regression.proportional_hazards import Scale, proportional_hazards_test
from pipelines.regression.spells import Spells

SCALES: dict[str, Scale] = {"identity": "days", "km": "survival"}


@pytest.mark.parametrize("scale", SCALES)
@pytest.mark.parametrize(
    "name", ["cgd_andersen_gill", "cgd_gap_pwp", "heart", "myeloma", "lung", "lung_months", "lung_weighted"]
)
def test_other_software_r_cox_zph(name: str, scale: str, spells_by_name: dict[str, Spells], cox_results: Any) -> None:
    """Other software: R cox.zph (survival 3.5), each column and all together; tests/reference/cox.R."""
    spells, expected = spells_by_name[name], cox_results[name]["zph"][scale]
    tests = proportional_hazards_test(
        spells, fit_cox(spells), {term: [column] for column, term in enumerate(spells.names)}, SCALES[scale]
    )
    chi2 = np.array([test.chi2 for test in tests])
    if len(spells.names) == 1:  # R gives no test of all where there is one; here both are the same
        chi2 = chi2[:1]
        np.testing.assert_allclose(chi2, np.ravel(expected["chi2"])[:1], rtol=1e-5)
        return
    np.testing.assert_allclose(chi2, expected["chi2"], rtol=1e-5, atol=1e-8)
    np.testing.assert_allclose([test.p for test in tests], expected["p"], rtol=1e-5)
    assert tests[-1].df == len(spells.names)


def test_a_term_of_two_columns_does_not_depend_on_how_it_is_coded(spells_by_name: dict[str, Spells]) -> None:
    """By hand: any two columns that span the same space give the same test."""
    spells = spells_by_name["lung"]
    turned = spells.with_x(spells.x @ np.array([[1, 1, 0], [0, 2, 0], [0, 0, 1]]), ("a", "b", "c"))
    first, other = (proportional_hazards_test(each, fit_cox(each), {"pair": [0, 1]})[0] for each in (spells, turned))
    assert first.chi2 == pytest.approx(other.chi2, rel=1e-8)
    assert first.df == 2


def test_lifelines_is_near_and_not_equal(spells_by_name: dict[str, Spells]) -> None:
    """Other software: lifelines' test is the older approximation with one variance for all times."""
    from lifelines import CoxPHFitter
    from lifelines.statistics import proportional_hazard_test

    spells = spells_by_name["lung"]
    frame = pd.DataFrame(spells.x, columns=list(spells.names))
    frame["days"], frame["event"] = spells.exit, spells.event
    other = proportional_hazard_test(CoxPHFitter().fit(frame, "days", "event"), frame, time_transform="identity")
    ours = proportional_hazards_test(spells, fit_cox(spells), {"female": [1]}, "days")[0]
    theirs = float(other.summary.loc["female", "test_statistic"])
    assert ours.chi2 == pytest.approx(theirs, rel=0.35)


def test_finds_a_planted_change_over_time() -> None:
    """A ratio of 4 in the first 100 days and of 1/2 later, 2,000 people: the test must see it."""
    random = np.random.default_rng(5)
    x = random.integers(0, 2, 2000)
    early, late = random.exponential(400 / np.where(x, 4, 1)), random.exponential(400 / np.where(x, 0.5, 1))
    days = np.ceil(np.where(early < 100, early, 100 + late))
    spells = Spells(
        x[:, None].astype(float),
        ("x",),
        np.full(2000, -np.inf),
        np.minimum(days, 600),
        days <= 600,
        np.zeros(2000, dtype=np.int64),
        np.arange(2000),
    )
    assert proportional_hazards_test(spells, fit_cox(spells), {"x": [0]})[0].p < 1e-6
