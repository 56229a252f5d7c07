"""Sessions held back make the wait for a next one look longer: both places that show it say so."""

from __future__ import annotations

from pathlib import Path

from typer.testing import CliRunner

from pipelines.intake import run_intake
from registry import open_registry
from reports.audit import build_audit
from reports.command_line import app
from tests.pipelines.intake.sound_rows import SOUND, TODAY, numbered, write_csv
from tests.reports.audit.reading import read, section

WORDS = "1 session is held back. A next session among them is not seen"


def take(folder: Path, work: Path) -> None:
    paths = [
        write_csv(work / "patient.csv", [numbered("patient", 1)]),
        write_csv(work / "session.csv", [numbered("session", 1), numbered("session", 2)]),
        write_csv(work / "site_period.csv", [SOUND["site_period"]]),
    ]
    with open_registry(folder, read_only=False) as registry:
        run_intake(registry, paths, today=TODAY, received_by="test")


def shown(folder: Path) -> tuple[str, str]:
    with open_registry(folder) as registry:
        page = read(build_audit(registry, "2026-Q2").html)
    asked = ["figures", "time-to-next-session", "--registry", str(folder)]
    return section(page, "next-session").text, " ".join(CliRunner().invoke(app, asked).output.split())


def test_a_session_held_back_is_told_beside_the_wait_for_a_next_one(empty_registry: Path, tmp_path: Path) -> None:
    """The second session's patient is not there, so it waits."""
    take(empty_registry, tmp_path)
    audit, terminal = shown(empty_registry)
    assert WORDS in audit
    assert WORDS in terminal


def test_nothing_is_said_once_it_came_in(empty_registry: Path, tmp_path: Path) -> None:
    take(empty_registry, tmp_path)
    with open_registry(empty_registry, read_only=False) as registry:
        path = write_csv(tmp_path / "more" / "patient.csv", [numbered("patient", 2)])
        run_intake(registry, [path], today=TODAY, received_by="test")
    audit, terminal = shown(empty_registry)
    assert "held back" not in audit
    assert "held back" not in terminal
