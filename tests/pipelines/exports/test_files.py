"""The files of an export, opened by other software.

Expected values: *other software* (each library reads what it is named for) beside the registry's own records.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from hashlib import sha256
from pathlib import Path
from xml.etree import ElementTree

import duckdb
import pandas as pd
import polars as pl
import pyarrow.parquet
import pyreadstat
import pytest

from pipelines.exports import Exported, Level, export_cohort
from registry import open_registry
from reports.cohort import cohort_svg
from tests.pipelines.exports.conftest import ALL_FORMATS

TABLES = ("patients", "sessions", "gaps", "visits", "complications", "graft_counts", "durations", "adtte")
pytestmark = pytest.mark.filterwarnings("ignore::DeprecationWarning:frictionless")  # its own


@pytest.mark.parametrize("level", Level)
@pytest.mark.parametrize("table", TABLES)
def test_every_program_finds_the_same_rows(exports: dict[Level, Exported], level: Level, table: str) -> None:
    done = exports[level]
    path = str(done.folder / "data" / table)
    n = done.rows[table]
    assert n > 0
    assert pl.read_parquet(f"{path}.parquet").height == n
    assert pl.read_csv(f"{path}.csv", infer_schema_length=None).height == n
    assert len(pd.read_csv(f"{path}.csv", low_memory=False)) == n
    assert pyarrow.parquet.read_table(f"{path}.parquet").num_rows == n
    assert duckdb.sql(f"select count(*) from '{path}.parquet'").fetchall() == [(n,)]
    for read, ending in ((pyreadstat.read_dta, "dta"), (pyreadstat.read_sav, "sav"), (pyreadstat.read_xport, "xpt")):
        assert len(read(f"{path}.{ending}")[0]) == n


def test_labels_and_missing_values_come_back(exports: dict[Level, Exported]) -> None:
    data = exports[Level.LIMITED].folder / "data"
    told = pl.read_csv(data / "patients.csv", infer_schema_length=None).get_column("smoking")
    unknown, empty = int((told == "unknown").sum()), told.null_count()
    assert unknown > 0
    assert empty > 0

    stata = pd.read_stata(data / "patients.dta", convert_missing=True, convert_categoricals=False, convert_dates=False)[
        "smoking"
    ].astype(str)
    assert ((stata == ".u").sum(), (stata == ".").sum()) == (unknown, empty)
    _, about = pyreadstat.read_dta(data / "patients.dta")
    assert about.column_names_to_labels["smoking"] == "Smoking"
    assert about.variable_value_labels["smoking"][1.0] == "Never smoked"

    spss, about = pyreadstat.read_sav(data / "patients.sav", user_missing=True)
    assert ((spss["smoking"] == -1.0).sum(), spss["smoking"].isna().sum()) == (unknown, empty)
    assert about.missing_ranges["smoking"] == [{"lo": -1.0, "hi": -1.0}]
    labels = {number: label for number, label in about.variable_value_labels["smoking"].items() if number > 0}
    assert list(labels.values()) == ["Never smoked", "Stopped smoking", "Smokes"]
    for number, code in enumerate(("never", "former", "current"), start=1):
        assert (spss["smoking"] == number).sum() == (told == code).sum()


def test_codes_are_categories_that_name_every_answer(exports: dict[Level, Exported]) -> None:
    data = exports[Level.LIMITED].folder / "data"
    smoking = pd.read_parquet(data / "patients.parquet")["smoking"]
    assert list(smoking.cat.categories) == ["never", "former", "current", "unknown"]
    told = pl.read_csv(data / "patients.csv", infer_schema_length=None)["smoking"]
    assert smoking.astype(object).where(smoking.notna(), None).tolist() == told.to_list()
    assert duckdb.sql(f"select count(*) from '{data}/patients.parquet' where smoking = 'unknown'").fetchall() == [
        (int((told == "unknown").sum()),)
    ]


def test_the_flow_is_drawn_but_where_small_numbers_must_not_leave(own_clinics: Path, tmp_path: Path) -> None:
    from frictionless import Package

    for level, there in ((Level.LIMITED, True), (Level.ANONYMOUS, False)):
        with open_registry(own_clinics, read_only=False) as registry:
            done = export_cohort(
                registry,
                "all",
                tmp_path / level,
                level=level,
                exported_by="me",
                drawn=lambda cohort, flow: cohort_svg(cohort, flow, "0"),
            )
        picture = done.folder / "flow.svg"
        assert picture.exists() is there
        package = Package(str(done.folder / "datapackage.json"))
        assert ("`flow.svg`" in package.description) is there
        assert ("flow.svg" in (done.folder / "SHA256SUMS").read_text(encoding="utf-8")) is there
        assert package.validate().valid
        if there:
            n = f"n = {done.rows['patients']:,}"
            assert n in {part.text for part in ElementTree.parse(picture).iter() if part.text}


def test_short_names_have_their_map(exports: dict[Level, Exported]) -> None:
    folder = exports[Level.LIMITED].folder
    names = pl.read_csv(folder / "names.csv")
    assert names.get_column("sas_name").str.len_chars().max() <= 8  # type: ignore[operator]
    for table in TABLES:
        own = names.filter(pl.col("table") == table)
        assert own.get_column("sas_name").n_unique() == own.height
        assert list(pyreadstat.read_xport(folder / "data" / f"{table}.xpt")[0].columns) == own["sas_name"].to_list()
        assert list(pyreadstat.read_dta(folder / "data" / f"{table}.dta")[0].columns) == own["stata_name"].to_list()


def test_a_set_becomes_one_column_a_code(exports: dict[Level, Exported], clinics: Path) -> None:
    with open_registry(clinics) as registry:
        expected = registry.connection.execute(
            "select count(*) filter (list_contains(medical_therapy, 'minoxidil_topical')), "
            "count(*) filter (medical_therapy is null) from patient "
            "where consent_scope = 'audit_and_research' and patient_key in "
            "(select patient_key from session where surgeon_code <> 'elsewhere')"
        ).fetchall()[0]
    column = pl.read_csv(exports[Level.INTERNAL].folder / "data" / "patients.csv", infer_schema_length=None)[
        "medical_therapy_minoxidil_topical"
    ]
    assert set(column.drop_nulls()) == {0, 1}
    assert (column.sum(), column.null_count()) == expected


@pytest.mark.parametrize("level", Level)
def test_the_data_package_is_valid(exports: dict[Level, Exported], level: Level) -> None:
    from frictionless import Package

    report = Package(str(exports[level].folder / "datapackage.json")).validate()
    assert report.valid, report.flatten(["type", "message"])[:5]
    assert {task.name for task in report.tasks} == set(TABLES)


def test_the_validator_sees_a_wrong_value(exports: dict[Level, Exported], tmp_path: Path) -> None:
    from frictionless import Package

    folder = shutil.copytree(exports[Level.LIMITED].folder, tmp_path / "package")
    path = folder / "data" / "patients.csv"
    path.write_text(path.read_text(encoding="utf-8").replace("never", "nevar"), encoding="utf-8")
    assert not Package(str(folder / "datapackage.json")).validate().valid


@pytest.mark.parametrize("level", Level)
def test_checksums(exports: dict[Level, Exported], level: Level) -> None:
    folder = exports[level].folder
    lines = (folder / "SHA256SUMS").read_text(encoding="utf-8").splitlines()
    told = {name: digest for digest, _, name in (line.partition("  ") for line in lines)}
    there = {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}
    assert set(told) == there - {"SHA256SUMS"}
    for name, digest in told.items():
        assert sha256((folder / name).read_bytes()).hexdigest() == digest


def test_the_same_seed_gives_the_same_bytes(exports: dict[Level, Exported], own_clinics: Path, tmp_path: Path) -> None:
    sums = {}
    for name, seed in (("again", 7), ("fresh", None), ("fresher", None)):
        with open_registry(own_clinics, read_only=False) as registry:
            done = export_cohort(
                registry,
                "all",
                tmp_path / name,
                level=Level.ANONYMOUS,
                formats=ALL_FORMATS,
                seed=seed,
                exported_by="somebody else",
            )
        sums[name] = (done.folder / "SHA256SUMS").read_text(encoding="utf-8")
    assert sums["again"] == (exports[Level.ANONYMOUS].folder / "SHA256SUMS").read_text(encoding="utf-8")
    assert sums["fresh"] != sums["fresher"]
    plain = [
        pl.read_csv(tmp_path / name / "data" / "gaps.csv").drop("patient_key", "session_key")
        for name in ("fresh", "fresher")
    ]
    assert plain[0].sort(pl.all()).equals(plain[1].sort(pl.all()))


@pytest.mark.slow
@pytest.mark.parametrize("level", [Level.LIMITED, Level.ANONYMOUS])
def test_the_python_starter_runs(exports: dict[Level, Exported], level: Level) -> None:
    run = subprocess.run(
        [sys.executable, exports[level].folder / "starter.py"], capture_output=True, text=True, check=False
    )
    assert run.returncode == 0, run.stderr
    assert "A next session within 365 days" in run.stdout


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("Rscript") is None, reason="R is not there")
def test_the_r_starter_runs_and_agrees_with_python(exports: dict[Level, Exported]) -> None:
    folder = exports[Level.LIMITED].folder
    run = subprocess.run(["Rscript", "starter.R"], cwd=folder, capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stderr
    python = subprocess.run([sys.executable, folder / "starter.py"], capture_output=True, text=True, check=True)
    shares = {int(line.split()[4]): float(line.split()[-1]) for line in python.stdout.splitlines()[:3]}
    curve = [line.split() for line in run.stdout.splitlines() if line.split()[:1] and line.split()[0].isdigit()]
    found = {int(row[0]): float(row[3]) for row in curve if int(row[0]) in shares}
    assert found
    for day, survival in found.items():
        assert survival == pytest.approx(1.0 - shares[day], abs=6e-4)  # R prints three digits


def test_citation_and_definition_are_there(exports: dict[Level, Exported]) -> None:
    folder = exports[Level.LIMITED].folder
    assert 'name: "Test practice"' in (folder / "CITATION.cff").read_text(encoding="utf-8")
    told = json.loads((folder / "cohort.json").read_text(encoding="utf-8"))
    assert (told["name"], told["version"], told["level"]) == ("all", 1, "limited")
    assert told["flow"][-1]["remaining"] == told["patients"] == exports[Level.LIMITED].rows["patients"]
    safe = json.loads((exports[Level.ANONYMOUS].folder / "cohort.json").read_text(encoding="utf-8"))
    assert "flow" not in safe  # its small numbers may tell
