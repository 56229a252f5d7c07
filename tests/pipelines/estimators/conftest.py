"""Reference data and results for the estimators."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import polars as pl
import pytest

REFERENCE = Path(__file__).parents[2] / "reference"


@pytest.fixture(scope="session")
def reference_results() -> Callable[[str], Any]:
    """Results of a reference script, by name."""

    def read(name: str) -> Any:
        return json.loads((REFERENCE / f"{name}.json").read_text(encoding="utf-8"))["results"]

    return read


@pytest.fixture(scope="session")
def reference_spells() -> Callable[[str], pl.DataFrame]:
    """A data set of the reference folder in the form that risk_table takes, one row a person."""

    def read(name: str) -> pl.DataFrame:
        data = pl.read_csv(REFERENCE / "data" / f"{name}.csv").rename({"entry": "entry_day", "exit": "exit_day"})
        if "event" in data.columns:
            return data.select("entry_day", "exit_day", events="event", censored=1 - pl.col("event"))
        causes = sorted(set(data["cause"]) - {0})
        outcomes = {f"events_{cause}": (pl.col("cause") == cause).cast(pl.Int64) for cause in causes}
        return data.select("entry_day", "exit_day", **outcomes, censored=(pl.col("cause") == 0).cast(pl.Int64))

    return read


@pytest.fixture(scope="session")
def reference_rows() -> Callable[[str], pl.DataFrame]:
    """A data set of the reference folder as it stands, with the names of the estimators for entry and exit."""

    def read(name: str) -> pl.DataFrame:
        return pl.read_csv(REFERENCE / "data" / f"{name}.csv").rename(
            {"entry": "entry_day", "exit": "exit_day"}, strict=False
        )

    return read
