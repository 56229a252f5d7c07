"""What the suite and the study of trust make of their measurements, *by hand*; the measurements are theirs."""

from __future__ import annotations

import importlib.util
import json
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import polars as pl
import pytest

from registry.store import open_registry, start_registry
from synthetic_data import SITES, SURGEONS, simulate
from tests.small_registry import load_frames

FOLDER = Path(__file__).parents[2] / "benchmarks"
sys.path.append(str(FOLDER))  # the suite's modules name each other as a script's do


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


@pytest.fixture(scope="module")
def results() -> ModuleType:
    return script("suite_results")


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


def test_small_and_large_registries_stand_apart(trust: ModuleType) -> None:
    """*By hand*: small ones read 0.2 of a true 0.1, large ones 0.101: only small ones count for coverage."""
    key = ("m", 365, "")
    told = [
        trust.Told(patients, seed, {key: (read, read - 0.01, read + 0.01)}, None)
        for seed in range(3)
        for patients, read in ((trust.SMALL, 0.2), (trust.LARGE, 0.101))
    ]
    page = trust.page(told, {key: (0.1, 0.0)})
    assert "| m, 1 year | 10.00 | +10.000 ± 0.000 | 0.0 ± 12.6 | 0 / 3 | 3 | bias, coverage |" in page
    assert "| m, 1 year | 10.00 | +0.100 ± 0.000 | +1.0 | 3 | bias |" in page
    assert "the largest bias is 1.0 % of the figure itself" in page


def test_what_mistakes_do_by_hand(trust: ModuleType) -> None:
    """Two registries moved by 0.01 and 0.03: 0.02 on average, error 0.01; one that did not go the way is left out."""
    key = ("m", 365, "")
    told = [
        trust.Told(1_000, 1, {key: (0.1, 0.0, 0.2)}, {key: (0.11, 0.0, 0.2)}),
        trust.Told(1_000, 2, {key: (0.1, 0.0, 0.2)}, {key: (0.13, 0.0, 0.2)}),
        trust.Told(1_000, 3, {key: (0.9, 0.0, 0.2)}, None),
    ]
    ((found, mean, error, largest, n),) = trust.shifts(told)
    assert (found, n) == (key, 2)
    assert (mean, error, largest) == pytest.approx((0.02, 0.01, 0.03))


def one(seconds: float, **more: Any) -> dict[str, Any]:
    """A part that took so long, and no more of the processors."""
    return {
        "seconds": seconds,
        "processor_seconds": seconds,
        "peak_bytes": 2**30,
        "date": "2026-11-28",
        "others": 0.0,
        **more,
    }


def of_size(**parts: dict[str, Any]) -> dict[str, Any]:
    return {**SETTING, "parts": parts}


SETTING: dict[str, Any] = {"machine": "2 cores", "python": "3.11", "versions": {"duckdb": "2.0"}}


def test_growth_by_hand(results: ModuleType) -> None:
    """Ten times the patients in a hundred times the time: n squared; below half a second nothing is said."""
    found = {"10": of_size(intake=one(1.0), verify=one(0.4)), "100": of_size(intake=one(100.0), verify=one(100.0))}
    assert results.exponent(found, "intake", "10", "100") == pytest.approx(2.0)
    assert results.exponent(found, "verify", "10", "100") is None
    assert results.exponent({**found, "10": of_size()}, "intake", "10", "100") is None


def test_a_part_measured_anew_leaves_the_others(results: ModuleType) -> None:
    found = {"10": of_size(verify=one(1.0), gone=one(1.0)), "100": of_size(verify=one(9.0))}
    order = ("intake", "verify")
    new = results.merged(found, "10", SETTING, "intake", one(2.0, date="2026-11-29"), order)
    assert list(new["10"]["parts"]) == ["intake", "verify"]
    assert new["10"]["parts"]["verify"] == one(1.0)
    assert new["100"] == found["100"]
    again = results.merged(new, "10", SETTING, "verify", one(3.0), order)
    assert (again["10"]["parts"]["verify"]["seconds"], again["10"]["parts"]["intake"]["date"]) == (3.0, "2026-11-29")


def test_parts_of_another_setting_do_not_stand_beside_new_ones(results: ModuleType) -> None:
    found = {"10": of_size(verify=one(1.0))}
    now = {**SETTING, "versions": {"duckdb": "2.1", "pandas": "2.3"}}
    assert results.another_setting(found, "10", now) == ["duckdb 2.0, now duckdb 2.1"]
    assert list(results.merged(found, "10", now, "intake", one(2.0), ("intake", "verify"))["10"]["parts"]) == ["intake"]
    assert results.another_setting(found, "100", now) == []
    assert results.another_setting(found, "10", {**SETTING, "versions": {"duckdb": "2.0", "pandas": "2.3"}}) == []


def test_results_of_the_first_form_are_read(
    results: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Date and load stood once a size."""
    monkeypatch.setattr(results, "RESULTS", tmp_path / "benchmarks.json")
    size = {"date": "2026-11-28", "load": "with a load of 8.1 on 2 cores in the minute before"}
    results.RESULTS.write_text(json.dumps({"10": {**size, "parts": {"verify": {"seconds": 1.0}}}}))
    assert results.load() == {"10": {"parts": {"verify": {"seconds": 1.0, "date": "2026-11-28", "others": 8.1}}}}


def test_tables_by_hand(results: ModuleType) -> None:
    """Great Expectations took 1 s for 50,000 rows, the intake 10 s for 100,000: 2 of 10 s, 0.2 times as long."""
    ours, pandas = "time to the next session here, by age band", "pandas, a curve an age band, from Parquet"
    lines = "R survfit, a curve an age band, spells in memory"
    parts = {
        "intake": one(10.0, rows=100_000),
        "Great Expectations alone, visits of one lot": one(1.0, rows=50_000),
        ours: one(2.0, others=1.5),
        pandas: {"date": "2026-11-28", "others": 0.0, "failed": "out of memory"},
        lines: one(30.0, ours_seconds=1.5, ours_processor_seconds=2.0),
    }
    text = results.tables({"10": of_size(**parts)}, list(parts))
    assert "| intake | 10.00 s (10.00); 1.00 GiB |" in text
    assert f"| {ours} | 2.00 s (2.00); 1.00 GiB; busy |" in text
    assert f"| {pandas} (for comparison) | did not finish: out of memory |" in text
    assert "beside intake | 0.20 (0.20): 2.00 s, ours 10.00 s per 100,000 rows |" in text
    assert f"| {pandas}, beside {ours} | did not finish: out of memory |" in text
    assert f"| {lines}, beside our fold and curves of them | 20 (15): 30.00 s, ours 1.50 s |" in text
    assert text.endswith("- 10 patients: Measured 2026-11-28, 1 of 5 parts while busy.")


def test_every_comparison_has_its_place(suite: ModuleType, results: ModuleType) -> None:
    assert set(results.BESIDE) == {results.BARE, *suite.COMPARISONS}
    assert {ours for ours in results.BESIDE.values() if ours} <= set(suite.PARTS)


@pytest.fixture(scope="module")
def measured(suite: ModuleType, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Records of 600 patients and their registry."""
    folder = tmp_path_factory.mktemp("suite")
    suite.synthesise(folder, 600)
    start_registry(folder / "registry", SITES, SURGEONS, "Test practice")
    with open_registry(folder / "registry", read_only=False) as registry:
        load_frames(registry, simulate(600, 1).frames)
    return folder


def test_comparisons_answer_the_same_question(measured: Path) -> None:
    """Lifelines and pandas (*other software*) give our curves of six age bands, with entries after the session."""
    import comparisons

    _, lifelines, ours = comparisons.lifelines_curves(measured)
    assert len(ours) > 4
    assert lifelines == pytest.approx(ours, abs=1e-10)
    assert comparisons.pandas_curves(measured)[1] == pytest.approx(ours, abs=1e-10)


@pytest.mark.slow
def test_r_answers_the_same_question(measured: Path) -> None:
    """*Other software*: R survfit, to the twelve places that are asked of it."""
    import comparisons

    if not comparisons.r_versions():
        pytest.skip("R with its package survival is not installed")
    _, theirs, ours = comparisons.r_curves(measured)
    assert theirs == pytest.approx(ours, abs=1e-10)


@pytest.mark.slow
def test_great_expectations_alone(measured: Path) -> None:
    import comparisons

    visits = pl.read_parquet(measured / "records" / "lot_0001" / "visit.parquet")
    assert comparisons.great_expectations_alone(measured)["rows"] == visits.height


def test_a_comparison_that_takes_too_long_or_too_much(
    suite: ModuleType, measured: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    part = next(name for name in suite.COMPARISONS if name.startswith("pandas"))
    monkeypatch.setattr(suite, "MOST_SECONDS", 0)
    assert suite.apart(part, measured, 400)["failed"] == "more than 0 minutes"

    def starved(folder: Path, patients: int) -> dict[str, float]:
        raise MemoryError

    monkeypatch.setattr(suite.resource, "setrlimit", lambda *limits: None)
    monkeypatch.setattr(suite, "PARTS", {**suite.PARTS, part: starved, "verify": starved})
    assert suite.here(part, measured, 400) == {"failed": "out of memory"}
    with pytest.raises(MemoryError):
        suite.here("verify", measured, 400)


def test_lots_add_up(suite: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two lots of 40 patients: one declaration a site and quarter, whose sessions are the sum; each key once."""
    monkeypatch.setattr(suite, "LOT", 40)
    suite.synthesise(tmp_path, 80)
    lots = tmp_path / "records"
    periods = pl.read_parquet(lots / "*" / "site_period.parquet")
    assert not periods.select(pl.struct("site_code", "quarter").is_duplicated().any()).item()
    patients = pl.read_parquet(lots / "*" / "patient.parquet")
    assert patients.height == patients.get_column("patient_key").n_unique() == 80
