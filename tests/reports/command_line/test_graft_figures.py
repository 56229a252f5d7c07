"""The analyses of graft counts on the command line: tables of 80 columns, cautions, refusals."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from reports.command_line import app
from reports.command_line._graft_requests import GRAFT_ANALYSES
from tests.small_registry import Row, on, small_registry

PATIENTS = 14


@pytest.fixture
def folder(empty_registry: Path) -> Path:
    """Fourteen patients with one area each, read twice at month 12; one of them not counted."""
    names = [f"p{number}" for number in range(PATIENTS)]
    counts: list[Row] = [
        {
            "session_key": name,
            "counted_on": on(365),
            "growing_grafts": 34 + number % 5 - reading,
            "repeat_number": reading,
            "placed_hairs": 80,
            "growing_hairs": 75,
            "existing_hairs_before": 5 if number else 90,
        }
        for number, name in enumerate(names[1:])
        for reading in (1, 2)
    ]
    with small_registry(
        empty_registry,
        patient=[{"patient_key": name, "age_at_first_surgery_years": 30} for name in names],
        session=[{"session_key": name, "patient_key": name, "grafts_harvested": 2050} for name in names],
        graft_count=counts,
    ):
        pass
    return empty_registry


def run(folder: Path, *arguments: str) -> Result:
    return CliRunner().invoke(app, ["figures", *arguments, "--registry", str(folder)])


@pytest.mark.parametrize("analysis", GRAFT_ANALYSES)
@pytest.mark.parametrize("split", [(), ("--by", "technique")])
def test_table_keeps_to_80_columns_and_says_the_caution(folder: Path, analysis: str, split: tuple[str, ...]) -> None:
    result = run(folder, analysis, *split)
    assert result.exit_code == 0
    assert max(len(line) for line in result.output.splitlines()) <= 80
    said = " ".join(result.stderr.split())
    assert ("yield is not a whole head's" in said) == (analysis != "donor-use")
    assert "no medical advice" in said


def test_names_of_measures_are_never_shown_raw(folder: Path) -> None:
    for analysis in GRAFT_ANALYSES:
        assert "_" not in run(folder, analysis).stdout
        assert "_" not in run(folder, analysis, "--by", "technique").stdout


def test_by_hairs_and_window_are_told_beside_the_figures(folder: Path) -> None:
    result = run(folder, "graft-survival", "--by-hairs", "--window", "10m-13m", "--format", "json")
    content = json.loads(result.stdout)
    assert (content["meta"]["by_hairs"], content["meta"]["window"]) == (True, [304, 395])
    assert {figure["measure"] for figure in content["figures"]} == {"hair_survival", "hair_survival_capped"}


def test_model_table(folder: Path) -> None:
    """By hand: 13 patients of 40 placed; the shares below a yield stand for patients."""
    lines = run(folder, "graft-survival-model").stdout.splitlines()
    place = lines.index("Patients whose counted areas yield below 90%")
    assert lines[place + 1].split()[-3:] == ["13", "13", "520"]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["graft-survival", "--window", "1m-18m"], "no mature count"),
        (["graft-survival", "--window", "18m-10m"], "ends before it begins"),
        (["graft-survival-model", "--window", "10m"], "FROM-TO"),
        (["growth", "--by-hairs"], "--by-hairs goes with"),
        (["donor-use", "--window", "10m-18m"], "--window goes with"),
        (["graft-survial"], "graft-survival"),
    ],
)
def test_refusals(folder: Path, arguments: list[str], words: str) -> None:
    result = run(folder, *arguments)
    assert result.exit_code != 0
    assert words in " ".join(result.stderr.split())
    assert "Traceback" not in result.output


def test_chart_of_growth(folder: Path, tmp_path: Path) -> None:
    assert run(folder, "growth", "--chart", str(tmp_path / "growth.svg")).exit_code == 0
    drawn = (tmp_path / "growth.svg").read_text(encoding="utf-8")
    assert "Grafts growing by month" in drawn
    assert "yield is not a whole head" in drawn


def test_a_chart_of_growth_shows_one_group(folder: Path, tmp_path: Path) -> None:
    only = ("--by", "technique", "--where", "technique=strip", "--chart")
    assert run(folder, "growth", *only, str(tmp_path / "one.svg")).exit_code == 0
    nobody = run(folder, "growth", "--where", "technique=combined", "--chart", str(tmp_path / "none.svg"))
    assert nobody.exit_code != 0
    assert "no curve to draw" in nobody.stderr
    assert not (tmp_path / "none.svg").exists()
