"""Reference results, and spells made of reference data."""

import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipelines.regression.spells import Spells

REFERENCE = Path(__file__).parents[2] / "reference"


@pytest.fixture(scope="session")
def cox_results() -> Any:
    """Results of tests/reference/cox.R."""
    return json.loads((REFERENCE / "cox.json").read_text(encoding="utf-8"))["results"]


def spells_of(
    name: str,
    columns: Sequence[str],
    *,
    exit_name: str = "exit",
    late: bool = False,
    gap: bool = False,
    stratum: str | None = None,
    weight: str | None = None,
) -> Spells:
    """Spells of a data set in the reference folder. late: with its entry times. gap: on the clock of each spell."""
    data = pl.read_csv(REFERENCE / "data" / f"cox_{name}.csv")
    n = len(data)
    exits = data[exit_name].to_numpy().astype(float)
    return Spells(
        x=data.select(columns).to_numpy().astype(float),
        names=tuple(columns),
        entry=data["entry"].to_numpy().astype(float) if late else np.full(n, -np.inf),
        exit=exits - data["entry"].to_numpy() if gap else exits,
        event=data["event"].to_numpy() == 1,
        stratum=data[stratum].to_numpy() if stratum else np.zeros(n, dtype=np.int64),
        cluster=data["patient"].to_numpy() if "patient" in data.columns else np.arange(n),
        weight=data[weight].to_numpy().astype(float) if weight else np.ones(n),
    )


_CGD = ("treated", "age", "x_linked", "steroids")
_LUNG = ("age", "female", "ecog")


@pytest.fixture(scope="session")
def spells_by_name() -> dict[str, Spells]:
    """The spells behind each model of tests/reference/cox.R."""
    build: dict[str, Callable[[], Spells]] = {
        "cgd_andersen_gill": lambda: spells_of("cgd", _CGD, late=True),
        "cgd_gap": lambda: spells_of("cgd", _CGD, gap=True),
        "cgd_gap_pwp": lambda: spells_of("cgd", _CGD, gap=True, stratum="number"),
        "cgd_total_pwp": lambda: spells_of("cgd", _CGD, late=True, stratum="number"),
        "heart": lambda: spells_of("heart", ("age", "year", "transplant"), late=True, stratum="surgery"),
        "myeloma": lambda: spells_of("myeloma", ("year",), late=True),
        "lung": lambda: spells_of("lung", _LUNG),
        "lung_months": lambda: spells_of("lung", _LUNG, exit_name="month", stratum="site"),
        "lung_weighted": lambda: spells_of("lung", _LUNG, exit_name="month", weight="weight"),
    }
    return {name: make() for name, make in build.items()}
