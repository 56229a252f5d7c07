"""The intake on the command line: what it prints, its exit code, and a registry that cannot be opened."""

from __future__ import annotations

import csv
import io
import subprocess
import sys
from pathlib import Path

import duckdb
import pytest
from typer.testing import CliRunner

from registry.store import DATABASE_FILE
from reports.command_line import app
from tests.pipelines.intake.sound_rows import numbered, write_csv


@pytest.fixture
def patients(tmp_path: Path) -> Path:
    """Four patients: one sound, one unlikely, one at fault, and the first again."""
    return write_csv(
        tmp_path / "patient.csv",
        [
            numbered("patient", 1),
            numbered("patient", 2, donor_density_fu_cm2="120"),
            numbered("patient", 3, sex="x9", smoking="x9"),
            numbered("patient", 1),
        ],
    )


def run(*arguments: str | Path) -> tuple[int, str, str]:
    result = CliRunner().invoke(app, [str(argument) for argument in arguments])
    return result.exit_code, result.stdout, result.stderr


def test_the_last_lines_tell_what_became_of_the_rows(patients: Path, empty_registry: Path) -> None:
    """By hand."""
    code, out, err = run("intake", patients, "--registry", empty_registry, "--today", "2026-09-30")
    assert code == 0
    lines = out.splitlines()
    assert lines[0] == "Intake 1: 1 file read."
    assert lines[1].split() == ["read", "loaded", "corrected", "unchanged", "held", "back", "warnings"]
    assert lines[2].split() == ["patients", "4", "2", "0", "1", "1", "1"]
    assert lines[3] == "Held back or refused (a row may have several reasons):"
    assert lines[4].startswith(
        "  1 x patient.sex, unknown_code: the value is not one of the field's codes (patient.csv row 3)"
    )
    assert "Taken in with a warning:" in lines
    assert lines[-1].startswith("Snapshot e3b0c44298fc1c14 before, ")
    assert "graftledger held-back list --intake 1" in err


def test_the_rows_held_back_as_csv(patients: Path, empty_registry: Path) -> None:
    """By hand."""
    run("intake", patients, "--registry", empty_registry, "--today", "2026-09-30")
    code, out, _ = run("held-back", "list", "--format", "csv", "--registry", empty_registry)
    assert code == 0
    rows = list(csv.DictReader(io.StringIO(out)))
    assert [(row["file"], row["row"], row["rule"], row["field"], row["key"]) for row in rows] == [
        ("patient.csv", "3", "unknown_code", field, f"patient-{3:016}") for field in ("sex", "smoking")
    ]
    code, _, err = run("held-back", "list", "--registry", empty_registry, "--intake", "7")
    assert (code, "there is no intake 7" in err) == (1, True)


def test_a_file_at_fault_ends_with_exit_code_1(patients: Path, empty_registry: Path, tmp_path: Path) -> None:
    (tmp_path / "cut.csv").write_text("visit_key,session_key\nx\n", encoding="utf-8")
    code, out, err = run("intake", patients, tmp_path / "cut.csv", "--registry", empty_registry)
    assert (code, out) == (1, "")
    assert "cut.csv, row 1: the row has 1 fields, the header 2" in err
    assert "Traceback" not in err
    code, _, err = run("held-back", "list", "--format", "csv", "--registry", empty_registry)
    assert (code, err.strip()) == (1, "There has been no intake yet.")


def test_the_type_is_checked_by_name(patients: Path, empty_registry: Path) -> None:
    code, _, err = run("intake", patients, "--registry", empty_registry, "--as", "patients")
    assert (code, err.strip()) == (1, "There is no record type 'patients'. Did you mean patient?")


def test_a_registry_in_use_is_left_alone(patients: Path, empty_registry: Path) -> None:
    holder = subprocess.Popen(
        [
            sys.executable,
            "-c",
            "import duckdb, sys; c = duckdb.connect(sys.argv[1]); print('open', flush=True); sys.stdin.read()",
            str(empty_registry / DATABASE_FILE),
        ],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert holder.stdout is not None
        assert holder.stdout.readline().strip() == "open"
        code, _, err = run("intake", patients, "--registry", empty_registry)
    finally:
        holder.communicate()
    assert code == 1
    assert "the registry is in use by another program" in err


def test_a_newer_registry_is_left_alone(patients: Path, empty_registry: Path) -> None:
    with duckdb.connect(str(empty_registry / DATABASE_FILE)) as connection:
        connection.execute("update registry_info set schema_version = 99")
    code, _, err = run("intake", patients, "--registry", empty_registry)
    assert code == 1
    assert "schema version 99" in err


def test_what_is_no_registry_is_left_alone(patients: Path, empty_registry: Path, tmp_path: Path) -> None:
    content = b"these are other bytes" * 1000
    (empty_registry / DATABASE_FILE).write_bytes(content)
    code, _, err = run("intake", patients, "--registry", empty_registry)
    assert code == 1
    assert "not a DuckDB database" in err
    assert (empty_registry / DATABASE_FILE).read_bytes() == content
    code, _, err = run("intake", patients, "--registry", tmp_path)
    assert code == 1
    assert "there is no registry in this folder" in err
