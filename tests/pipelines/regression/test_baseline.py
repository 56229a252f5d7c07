"""Predicted shares against other software and by hand."""

import json

import numpy as np
import pandas as pd
import pytest

from pipelines.regression.baseline import baseline_hazard, predicted_share
from pipelines.regression.cox import fit_cox
from pipelines.regression.spells import Spells

from .conftest import REFERENCE


def test_other_software_lifelines(spells_by_name: dict[str, Spells]) -> None:
    """Other software: lifelines predict_survival_function (Breslow; on days without ties the same as Efron)."""
    from lifelines import CoxPHFitter

    spells = spells_by_name["lung"]
    rows = np.unique(spells.exit, return_index=True)[1]
    spells = spells.taken(rows)
    frame = pd.DataFrame(spells.x, columns=list(spells.names))
    frame["days"], frame["event"] = spells.exit, spells.event
    other = CoxPHFitter().fit(frame, "days", "event", fit_options={"precision": 1e-12})
    day = spells.exit[spells.event & (spells.exit <= 365)].max()  # between event days lifelines draws a line
    theirs = 1 - other.predict_survival_function(frame, times=[day]).to_numpy()[0]
    np.testing.assert_allclose(predicted_share(spells, fit_cox(spells).coefficients, day), theirs, rtol=1e-6)


def test_without_covariates_it_is_the_nelson_aalen_share() -> None:
    """By hand: events on days 1 and 2 of four: 1 - exp(-(1/4 + 1/3))."""
    spells = Spells(
        np.zeros((4, 1)),
        ("x",),
        np.full(4, -np.inf),
        np.array([1.0, 2, 3, 4]),
        np.array([True, True, False, False]),
        np.zeros(4, dtype=np.int64),
        np.arange(4),
    )
    assert predicted_share(spells, np.zeros(1), 3)[0] == pytest.approx(1 - np.exp(-7 / 12))
    assert np.isnan(predicted_share(spells, np.zeros(1), 5)).all()


@pytest.mark.parametrize("name", ["lung", "myeloma"])
def test_other_software_r_basehaz(name: str, spells_by_name: dict[str, Spells]) -> None:
    """Other software: R basehaz at 0 in every column, ties after Efron, delayed entry; baseline_hazard.R."""
    expected = json.loads((REFERENCE / "baseline_hazard.json").read_text(encoding="utf-8"))["results"]
    spells = spells_by_name[name]
    found = baseline_hazard(spells, fit_cox(spells).coefficients, np.array(expected["days"], dtype=float))
    np.testing.assert_allclose(found, expected[name], rtol=1e-7)
