"""The commands of cohorts, as typed. Expected counts: by hand."""

from __future__ import annotations

import json
from pathlib import Path
from xml.etree import ElementTree

import pytest
from typer.testing import CliRunner

from reports.command_line import app
from tests.small_registry import small_registry


@pytest.fixture
def folder(empty_registry: Path) -> Path:
    patients = [{"patient_key": f"p{n}", "consent_scope": "audit_and_research"} for n in range(3)]
    sessions = [{"session_key": f"s{n}", "patient_key": f"p{n}"} for n in range(2)]
    with small_registry(empty_registry, patient=patients, session=sessions):
        return empty_registry


def run(*args: object) -> tuple[int, str]:
    result = CliRunner().invoke(app, [str(arg) for arg in args])
    return result.exit_code, result.output


def test_define_list_and_show(folder: Path, tmp_path: Path) -> None:
    assert run("cohort", "list", "--registry", folder) == (0, "No cohort is defined yet.\n")
    code, text = run("cohort", "define", "strip", "--where", "technique=strip", "--registry", folder)
    assert code == 0
    assert "Cohort strip, version 1." in text
    chart = tmp_path / "flow.svg"
    code, text = run("cohort", "show", "strip", "--format", "json", "--chart", chart, "--registry", folder)
    shown = json.loads(text[: text.rindex("}") + 1])
    assert [step["remaining"] for step in shown["flow"]] == [3, 2, 2, 2]
    said = ElementTree.fromstring(chart.read_text(encoding="utf-8")).attrib["aria-label"]
    assert "1 left out, 2 remain" in said
    assert "strip" in run("cohort", "list", "--registry", folder)[1]
    assert max(len(line) for line in run("cohort", "show", "strip", "--registry", folder)[1].splitlines()) <= 80


def test_a_cohort_of_nobody_is_not_kept(folder: Path) -> None:
    code, text = run("cohort", "define", "none", "--where", "year=1900", "--registry", folder)
    assert code == 1
    assert "Nobody is in this cohort" in text
    assert "No cohort is defined yet" in run("cohort", "list", "--registry", folder)[1]


def test_the_baseline_table(folder: Path) -> None:
    assert run("cohort", "define", "strip", "--registry", folder)[0] == 0
    code, text = run("cohort", "table-1", "strip", "--by", "technique", "--hide-below", "0", "--registry", folder)
    assert code == 0
    assert ",Patients,,2,2," in text
    code, text = run("cohort", "table-1", "strip", "--by", "technique", "--format", "html", "--registry", folder)
    assert code == 0
    assert text.startswith("<!doctype html>")
    code, text = run("cohort", "table-1", "strip", "--by", "technique", "--format", "latex", "--registry", folder)
    assert code == 0
    assert r"\begin{longtable}" in text
    assert run("cohort", "table-1", "strip", "--by", "techniqe", "--registry", folder)[0] == 1


def test_rounded_for_use_outside(folder: Path) -> None:
    assert run("cohort", "define", "strip", "--registry", folder)[0] == 0
    code, text = run("cohort", "show", "strip", "--round-to", "5", "--format", "csv", "--registry", folder)
    assert code == 0
    assert "In the registry,0,5\n" in text  # 3 patients; the 2 with a session become 0
    assert "A session at this practice,5,0\n" in text
    assert "known only to lie among 5 numbers" in " ".join(text.split())
    by = ("cohort", "table-1", "strip", "--by", "technique", "--hide-below", "0", "--registry", folder)
    code, text = run(*by, "--round-to", "2")
    assert ",Patients,,2,2," in text
    assert "rounded to the nearest 2" in text
    for wrong in (
        run(*by, "--round-to", "-1"),
        run("cohort", "show", "strip", "--round-to", "-1", "--registry", folder),
    ):
        assert wrong[0] == 1
        assert "2 or more" in wrong[1]
