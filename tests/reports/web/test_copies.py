"""An erasure takes what the application had prepared, too: exports, sheets, files that wait. By hand."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner

from reports.command_line import app
from reports.web.access import Role
from reports.web.copies import forget_copies
from reports.web.jobs import Jobs
from tests.reports.web.browsing import Browser
from tests.reports.web.jobs_at_once import start_at_once
from tests.reports.web.test_records import KEYS, PATIENTS, send

KEY = KEYS[0].encode()


def holding(folder: Path, word: bytes) -> list[str]:
    return [
        path.relative_to(folder).as_posix()
        for path in folder.rglob("*")
        if path.is_file() and word in path.read_bytes()
    ]


def test_nothing_of_an_erased_patient_is_left(
    browser: Callable[[Role | None], Browser], empty_registry: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Jobs, "start", start_at_once)
    manager, director = browser(Role.DATA_MANAGER), browser(Role.DIRECTOR)
    manager.post(f"{send(manager, {'patient.csv': PATIENTS.encode()})}/intake")
    waiting = send(manager, {"patient.csv": PATIENTS.encode()})
    director.post("/cohorts", {"name": "all"})
    assert holding(empty_registry / "web_pages", KEY)
    options = ["--registry", str(empty_registry), "--yes"]
    done = CliRunner().invoke(app, ["erase-patient", KEYS[0], *options])
    assert done.exit_code == 0, done.output
    assert "What the web application had prepared" in done.output
    assert holding(empty_registry, KEY) == []
    assert manager.get(waiting).status_code == 404
    assert manager.get("/records").status_code == 200
    assert director.get("/cohorts/all").status_code == 404


def test_without_the_application_there_is_nothing_to_take_away(empty_registry: Path) -> None:
    before = sorted(empty_registry.iterdir())
    assert not forget_copies(empty_registry)
    assert sorted(empty_registry.iterdir()) == before
