"""Files: the same bytes for the same seed, nothing overwritten, nothing half-written."""

from __future__ import annotations

import json
import subprocess
import sys
from hashlib import sha256
from pathlib import Path

import polars as pl
import pytest

import synthetic_data
from registry.definition import RECORD_TYPES
from registry.errors import GraftledgerError
from synthetic_data import SITES, Synthesised
from synthetic_data.writing import MODEL_PATIENTS


def digests(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def test_the_same_seed_gives_the_same_bytes(tmp_path: Path) -> None:
    for name, seed in (("a", 8), ("b", 8), ("c", 9)):
        synthetic_data.synthesise(tmp_path / name, patients=150, seed=seed, errors=0.02)
    first, again, other = (digests(tmp_path / name) for name in ("a", "b", "c"))
    assert first == again
    shared = first.keys() & other.keys()
    assert len(shared) > 20
    assert all(first[name] != other[name] for name in shared if "site_period" not in name)


def test_a_site_sends_no_file_of_which_it_has_no_rows(tmp_path: Path) -> None:
    written = synthetic_data.synthesise(tmp_path / "few", patients=2, seed=1)
    csv = [path for path in written.files if path.suffix == ".csv"]
    assert len(csv) < len(SITES) * len(RECORD_TYPES)
    assert all(len(path.read_text(encoding="utf-8").splitlines()) > 1 for path in csv)


def test_another_process_gives_the_same_bytes(written: Synthesised, tmp_path: Path) -> None:
    code = (
        "import sys, synthetic_data; synthetic_data.synthesise(sys.argv[1], patients=1200, seed=5);"
        "assert not {'pipelines', 'reports', 'pandas', 'scipy', 'great_expectations'} & set(sys.modules)"
    )
    subprocess.run([sys.executable, "-c", code, str(tmp_path / "again")], check=True, env={"PYTHONHASHSEED": "77"})
    assert digests(tmp_path / "again") == digests(written.folder)


def test_what_is_written(written: Synthesised) -> None:
    expected = {f"{site}/{record.name}.csv" for site in SITES for record in RECORD_TYPES} | {"truth.json"}
    assert set(digests(written.folder)) == expected
    assert {path.relative_to(written.folder).as_posix() for path in written.files} == expected
    assert written.rows["patient"] == 1200
    rows = sum(pl.read_csv(path, infer_schema=False).height for path in written.files if path.name == "visit.csv")
    assert rows == written.rows["visit"] > 5000


def test_the_truth_file(written: Synthesised) -> None:
    truth = json.loads((written.folder / "truth.json").read_text(encoding="utf-8"))
    assert "Invented" in truth["about"]
    assert truth["data_date"] == "2026-09-30"
    kinds = {quantity["kind"] for quantity in truth["quantities"]}
    assert kinds == {"realised", "model"}
    patients = [q for q in truth["quantities"] if q["measure"] == "next_session_here" and not q["group"]]
    assert {q["n"] <= 1200 for q in patients if q["kind"] == "realised"} == {True}
    assert {q["n"] > MODEL_PATIENTS * 0.8 for q in patients if q["kind"] == "model"} == {True}


@pytest.mark.parametrize("patients", [1, 2, 7])
def test_few_patients(tmp_path: Path, patients: int) -> None:
    made = synthetic_data.synthesise(tmp_path / "few", patients=patients, seed=1, errors=0.5)
    assert made.rows["patient"] == patients
    assert made.rows["session"] >= patients


@pytest.mark.parametrize(
    "arguments",
    [
        {"patients": 0, "seed": 1},
        {"patients": 2_000_001, "seed": 1},
        {"patients": 5, "seed": -1},
        {"patients": 5, "seed": 1, "errors": -0.1},
        {"patients": 5, "seed": 1, "errors": 1.1},
    ],
)
def test_arguments_out_of_range_are_refused(tmp_path: Path, arguments: dict[str, float]) -> None:
    with pytest.raises(GraftledgerError, match="must be"):
        synthetic_data.synthesise(tmp_path / "x", **arguments)  # type: ignore[arg-type]
    assert not (tmp_path / "x").exists()


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(GraftledgerError, match="not empty"):
        synthetic_data.synthesise(tmp_path, patients=5, seed=1)
    with pytest.raises(GraftledgerError, match="this is a file"):
        synthetic_data.synthesise(tmp_path / "mine.txt", patients=5, seed=1)
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]


def test_an_empty_folder_is_filled(tmp_path: Path) -> None:
    synthetic_data.synthesise(tmp_path, patients=5, seed=1)
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted([*SITES, "truth.json"])


@pytest.mark.parametrize("was_there", [False, True])
def test_a_failure_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, was_there: bool) -> None:
    folder = tmp_path / "out"
    if was_there:
        folder.mkdir()
    write_csv = pl.DataFrame.write_csv

    def full_disk(frame: pl.DataFrame, path: Path) -> None:
        if path.parent.name == "QUARRY":
            raise OSError(28, "No space left on device")
        write_csv(frame, path)

    monkeypatch.setattr(pl.DataFrame, "write_csv", full_disk)
    with pytest.raises(GraftledgerError, match="no space left"):
        synthetic_data.synthesise(folder, patients=5, seed=1)
    assert folder.exists() == was_there
    assert list(tmp_path.rglob("*")) == ([folder] if was_there else [])


def test_progress_is_told(tmp_path: Path) -> None:
    steps: list[str] = []
    synthetic_data.synthesise(tmp_path / "x", patients=5, seed=1, errors=0.1, progress=steps.append)
    assert len(steps) >= 3
    assert steps[-1] == "writing"
