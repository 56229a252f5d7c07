"""What the suite and the study of trust make of their measurements, *by hand*; the measurements are theirs."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

FOLDER = Path(__file__).parents[2] / "benchmarks"


def script(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(f"benchmarks_{name}", FOLDER / f"{name}.py")
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look for it
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def trust() -> ModuleType:
    return script("trust")


@pytest.fixture(scope="module")
def suite() -> ModuleType:
    return script("suite")


def test_bias_and_coverage_by_hand(trust: ModuleType) -> None:
    """Estimates 0.1, 0.2, 0.3 of a true 0.15: bias 0.05, error 0.1 / sqrt(3); one interval of three lies above."""
    key = ("m", 365, "")
    found = [{key: (0.1, 0.0, 0.2)}, {key: (0.2, 0.1, 0.3)}, {key: (0.3, 0.2, 0.4)}]
    (line,) = trust.lines_of(found, {key: (0.15, 0.0)})
    assert line.bias == pytest.approx(0.05)
    assert line.bias_error == pytest.approx(0.1 / 3**0.5)
    assert line.coverage == pytest.approx(2 / 3)
    assert (line.low, line.high, line.registries) == (0, 1, 3)


def test_the_error_of_the_truth_is_in_that_of_the_bias(trust: ModuleType) -> None:
    key = ("m", None, "")
    found = [{key: (0.1, 0.0, 0.2)}] * 2
    (line,) = trust.lines_of(found, {key: (0.1, 0.03)})
    assert line.bias_error == pytest.approx(0.03)


def test_the_truth_is_the_mean_of_its_populations(trust: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(trust, "TRUTH_PATIENTS", 2_000)
    key, found = ("next_session_here", 730, ""), {}
    for seeds in ((1,), (2,), (1, 2)):
        monkeypatch.setattr(trust, "TRUTH_SEEDS", seeds)
        found[seeds] = trust.truths()[key]
    assert found[1, 2][0] == pytest.approx((found[1,][0] + found[2,][0]) / 2)
    assert found[1, 2][1] == pytest.approx((found[1,][1] ** 2 + found[2,][1] ** 2) ** 0.5 / 2)


def test_what_is_off_is_marked(trust: ModuleType) -> None:
    key, truth = ("next_session_here", 365, ""), {("next_session_here", 365, ""): (0.5, 0.0)}
    found: list[Any] = [{key: (0.1 + 0.001 * n, 0.05, 0.2)} for n in range(30)]
    row = trust._row(trust.lines_of(found, truth)[0])
    assert row.startswith("| next session here, 1 year | 50.00 | ")
    assert row.endswith("| 30 / 0 | 30 | bias, coverage |")


def test_a_registry_is_read_and_kept(trust: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every figure has a truth under its own name, time and group; what is kept in a file is read back."""
    told = trust.told_by((300, 7))
    assert told.chain is None
    assert len(told.direct) > 15
    monkeypatch.setattr(trust, "TRUTH_PATIENTS", 2_000)
    assert set(told.direct) <= set(trust.truths())
    assert trust.from_line(told.as_line()) == told


def test_what_mistakes_do_by_hand(trust: ModuleType) -> None:
    """Two registries moved by 0.01 and 0.03: 0.02 on average, error 0.01; one that did not go the way is left out."""
    key = ("m", 365, "")
    told = [
        trust.Told(1, {key: (0.1, 0.0, 0.2)}, {key: (0.11, 0.0, 0.2)}),
        trust.Told(2, {key: (0.1, 0.0, 0.2)}, {key: (0.13, 0.0, 0.2)}),
        trust.Told(3, {key: (0.9, 0.0, 0.2)}, None),
    ]
    ((found, mean, error, largest, n),) = trust.shifts(told)
    assert (found, n) == (key, 2)
    assert (mean, error, largest) == pytest.approx((0.02, 0.01, 0.03))


def test_growth_by_hand(suite: ModuleType) -> None:
    """Ten times the patients in a hundred times the time: n squared; below half a second nothing is said."""

    def of(seconds: float) -> dict[str, Any]:
        return {"parts": {"intake": {"processor_seconds": seconds}}}

    assert suite.exponent({"10": of(1.0), "100": of(100.0)}, "intake", "10", "100") == pytest.approx(2.0)
    assert suite.exponent({"10": of(0.4), "100": of(100.0)}, "intake", "10", "100") is None
    assert suite.exponent({"10": {"parts": {}}, "100": of(100.0)}, "intake", "10", "100") is None


def test_lots_add_up(suite: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two lots of 40 patients: one declaration a site and quarter, whose sessions are the sum; each key once."""
    import polars as pl

    monkeypatch.setattr(suite, "LOT", 40)
    suite.synthesise(tmp_path, 80)
    lots = tmp_path / "records"
    periods = pl.read_parquet(lots / "*" / "site_period.parquet")
    assert not periods.select(pl.struct("site_code", "quarter").is_duplicated().any()).item()
    patients = pl.read_parquet(lots / "*" / "patient.parquet")
    assert patients.height == patients.get_column("patient_key").n_unique() == 80
