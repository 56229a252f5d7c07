"""An audit of last quarter is written again to the byte, whatever came in since; an erasure between is told.

Every expectation is *by hand*.
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner

from pipelines.intake import run_intake
from pipelines.patients import erase_patient
from registry import open_registry
from registry.store import start_registry
from reports.command_line import app
from tests.pipelines.intake.sound_rows import KEY_OF, TODAY, numbered, write_csv

QUARTER = "2026-Q2"
PERIOD = {"site_code": "A", "quarter": QUARTER, "sessions_declared": "3", "records_complete_to": "2026-06-30"}


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a registry, and the audit that was written between its two deliveries, `then`.

    Three families, a row held back and one that waits; then corrections of each kind, and both come in.
    """
    place = tmp_path_factory.mktemp("earlier")
    registry_folder = place / "registry"
    start_registry(registry_folder, ["A", "B"], ["S1", "S2"], "Test practice")
    first = {record: [numbered(record, n) for n in (1, 2, 3)] for record in KEY_OF}
    first["patient"].append(numbered("patient", 4, sex="x9"))
    first["session"].append(numbered("session", 4))
    later = {
        "patient": [numbered("patient", 1, smoking="former"), numbered("patient", 4)],
        "session": [numbered("session", 2, technique="combined")],
        "visit": [numbered("visit", 3, numbness_donor="none")],
        "graft_count": [numbered("graft_count", 3, growing_grafts="30")],
        "site_period": [PERIOD | {"sessions_declared": "4"}],
    }
    for number, delivery in enumerate((first | {"site_period": [PERIOD]}, later)):
        files = [write_csv(place / f"{number}" / f"{name}.csv", rows) for name, rows in delivery.items()]
        with open_registry(registry_folder, read_only=False) as registry:
            run_intake(registry, files, today=TODAY, received_by="test")
        if number == 0:
            audit(registry_folder, place / "then")
    return place


@pytest.fixture
def folder(made: Path, tmp_path: Path) -> Path:
    """A copy of the registry, with the audit beside it."""
    shutil.copytree(made, tmp_path, dirs_exist_ok=True)
    return tmp_path / "registry"


def audit(folder: Path, out: Path, *options: str) -> str:
    """Write the audit. Returns what was said on the side."""
    result = CliRunner().invoke(app, ["audit", QUARTER, "--registry", str(folder), "--out", str(out), *options])
    assert result.exit_code == 0, result.output
    return result.stderr


def content(out: Path) -> tuple[bytes, bytes]:
    return (out / "audit.html").read_bytes(), (out / "figures.json").read_bytes()


def test_the_audit_of_then_is_written_again_to_the_byte(folder: Path, tmp_path: Path) -> None:
    then = content(tmp_path / "then")
    audit(folder, tmp_path / "now")
    assert content(tmp_path / "now") != then
    said = audit(folder, tmp_path / "again", "--as-of-intake", "1")
    assert content(tmp_path / "again") == then
    assert "erased" not in said


def test_after_an_erasure_it_says_so(folder: Path, tmp_path: Path) -> None:
    then = content(tmp_path / "then")
    done = erase_patient(folder, numbered("patient", 2)["patient_key"], received_by="test")
    assert [(report.kind, report.period, report.intake_id) for report in done.erased.reports] == [("audit", QUARTER, 1)]
    said = audit(folder, tmp_path / "again", "--as-of-intake", "1")
    html, figures = content(tmp_path / "again")
    assert (html, figures) != then
    assert "1 patient was erased since then" in said
    assert "1 patient was erased since: it is not what was printed then." in html.decode()
    assert json.loads(figures)["meta"]["erased_since"] == 1
    audit(folder, tmp_path / "now")
    assert "erased_since" not in json.loads(content(tmp_path / "now")[1])["meta"]


def test_figures_of_an_earlier_state(folder: Path) -> None:
    """The area of patient 3 had 27 of 30 grafts growing at first, and 30 after its correction."""

    def growing(*options: str) -> float:
        arguments = ["figures", "graft-survival", "--format", "json", "--registry", str(folder), *options]
        result = CliRunner().invoke(app, arguments)
        assert result.exit_code == 0, result.output
        figures = json.loads(result.stdout)["figures"]
        return next(figure["estimate"] for figure in figures if figure["measure"] == "graft_survival")

    assert growing("--as-of-intake", "1") == pytest.approx((27 + 27 + 27) / 90)
    assert growing() == pytest.approx((27 + 27 + 30) / 90)


def test_there_is_no_such_intake(folder: Path, tmp_path: Path) -> None:
    arguments = ["audit", QUARTER, "--registry", str(folder), "--out", str(tmp_path / "x"), "--as-of-intake", "7"]
    result = CliRunner().invoke(app, arguments)
    assert result.exit_code == 1
    assert result.stderr.strip() == "there is no intake 7. Known: 1 to 2."
