"""Fine and Gray's model against other software."""

from typing import Any

import numpy as np
import polars as pl
import pytest

from pipelines.regression.cox import fit_cox
from pipelines.regression.errors import ModelError
from pipelines.regression.fine_gray import fit_fine_gray
from pipelines.regression.spells import Spells

from .conftest import REFERENCE


def waiting() -> tuple[Spells, Any]:
    data = pl.read_csv(REFERENCE / "data" / "cox_transplant.csv")
    cause, n = data["cause"].to_numpy(), len(data)
    columns = ("age", "female", "type_o")
    spells = Spells(
        data.select(columns).to_numpy().astype(float),
        columns,
        np.full(n, -np.inf),
        data["exit"].to_numpy().astype(float),
        cause == 1,
        np.zeros(n, dtype=np.int64),
        np.arange(n),
    )
    return spells, cause == 2


def test_other_software_r_finegray(cox_results: Any) -> None:
    """Other software: R finegray and coxph with weights, robust errors; tests/reference/cox.R."""
    spells, competing = waiting()
    fit = fit_fine_gray(spells, competing)
    np.testing.assert_allclose(fit.coefficients, cox_results["fine_gray"]["coefficient"], rtol=1e-7, atol=1e-9)
    np.testing.assert_allclose(fit.standard_errors, cox_results["fine_gray"]["robust"], rtol=1e-7)


def test_without_competing_events_it_is_the_cox_model() -> None:
    spells, competing = waiting()
    kept = spells.taken(~competing)
    fine_gray = fit_fine_gray(kept, np.zeros(kept.size, dtype=bool))
    np.testing.assert_allclose(fine_gray.coefficients, fit_cox(kept).coefficients, rtol=1e-12)


def test_refuses_an_end_in_both() -> None:
    spells, _ = waiting()
    with pytest.raises(ModelError, match="both kinds"):
        fit_fine_gray(spells, spells.event)
