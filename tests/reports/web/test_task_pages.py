"""Visits due, Consultation and Expectations show what their commands print. Expected values: by hand."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path

import polars as pl
import pytest
from fastapi import FastAPI

from registry.store import open_registry
from reports.web.access import Role
from reports.web.job_tasks import EXPECTATIONS, SHEET
from reports.web.jobs import Jobs, Status
from tests.reports.web.browsing import Browser, said
from tests.reports.web.jobs_at_once import start_at_once
from tests.small_registry import insert_rows, key

Make = Callable[[Role | None], Browser]
TODAY = date.today()


@pytest.fixture(autouse=True)
def _at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Jobs, "start", start_at_once)


def fill(folder: Path) -> None:
    """Ten patients, operated on half a year ago at A and a year and a half ago at B, none seen since."""
    ages = [180, 540]
    people = [{"patient_key": f"p{n}", "site_code": "AB"[n % 2], "age_at_first_surgery_years": 40} for n in range(10)]
    sessions = [
        {
            "session_key": f"s{n}",
            "patient_key": f"p{n}",
            "site_code": "AB"[n % 2],
            "performed_on": TODAY - timedelta(days=ages[n % 2]),
        }
        for n in range(10)
    ]
    with open_registry(folder, read_only=False) as registry:
        insert_rows(registry, "patient", people)
        insert_rows(registry, "session", sessions)
        insert_rows(registry, "site_period", [{"records_complete_to": TODAY}])


def test_visits_due_by_site_and_as_a_list(browser: Make, empty_registry: Path) -> None:
    manager = browser(Role.DATA_MANAGER)
    assert "No visit is due" in said(manager.get("/visits-due").text)
    fill(empty_registry)
    page = said(manager.get("/visits-due?site=A").text)
    assert "5 due and 0 overdue" in page
    assert key("p0") in page
    assert key("p1") not in page
    answer = manager.get("/visits-due/list.csv?site=A")
    assert answer.headers["content-disposition"].startswith("attachment")
    listed = pl.read_csv(answer.content)
    assert set(listed["patient_key"]) == {key(f"p{n}") for n in range(0, 10, 2)}
    assert manager.get("/visits-due?site=Z").status_code == 400
    assert manager.get("/visits-due/list.csv?site=..%2fx").status_code == 400


def test_a_sheet_is_made_shown_and_printed(browser: Make, application: FastAPI, empty_registry: Path) -> None:
    fill(empty_registry)
    surgeon = browser(Role.SURGEON)
    page = surgeon.post("/consultation", {"age": "40", "sex": "", "technique": "strip"}).headers["location"]
    shown = surgeon.get(page)
    assert shown.status_code == 200
    assert "Figures for the next consultation" in shown.text
    assert "no forecast for the person here" in said(shown.text)
    assert "S1" not in said(shown.text).replace("surgeon S1", "")
    printed = surgeon.get(f"{page}/print")
    assert printed.content.startswith(b"%PDF")
    assert surgeon.post("/consultation", {"age": "40", "technique": "strip"}).headers["location"] == page
    assert len(application.state.jobs.listed(kind=SHEET)) == 1
    assert browser(Role.DIRECTOR).get(page).status_code == 403
    assert browser(Role.RESEARCHER).get(page).status_code == 403


@pytest.mark.parametrize(
    ("form", "words"),
    [
        ({}, "Give the age"),
        ({"age": "forty"}, "no whole number"),
        ({"age": "9"}, "must be 16 to"),
        ({"age": "-1"}, "no whole number"),
        ({"age": "40", "grafts": "0"}, "grafts must be 1"),
        ({"age": "40", "sex": "<script>"}, "sex has no value"),
    ],
)
def test_what_cannot_be_is_said_on_the_form(
    browser: Make, application: FastAPI, form: dict[str, str], words: str
) -> None:
    answer = browser(Role.SURGEON).post("/consultation", form)
    assert answer.status_code == 400
    assert words in said(answer.text)
    assert "<script>" not in answer.text
    assert application.state.jobs.listed(kind=SHEET) == []


def test_expectations_are_held_against_the_records_once(
    browser: Make, application: FastAPI, empty_registry: Path
) -> None:
    fill(empty_registry)
    surgeon, director = browser(Role.SURGEON), browser(Role.DIRECTOR)
    assert "were not held against these records yet" in said(surgeon.get("/expectations").text)
    surgeon.post("/expectations")
    assert application.state.jobs.listed(kind=EXPECTATIONS)[0].status is Status.DONE
    page = said(director.get("/expectations").text)
    assert "Cannot tell yet" in page
    assert "common practice, no source" in page
    assert "Hold them against" not in page
    with open_registry(empty_registry, read_only=False) as registry:
        insert_rows(registry, "patient", [{"patient_key": "later"}])
    changed = said(director.get("/expectations").text)
    assert "have changed since this was made" in changed
    assert "Hold them against" in changed


def test_faulty_statements_are_named(browser: Make, empty_registry: Path) -> None:
    (empty_registry / "expectations.toml").write_text("[[expectation]]\nname = 'x'\n", encoding="utf-8")
    surgeon = browser(Role.SURGEON)
    surgeon.post("/expectations")
    assert "expectations.toml" in said(surgeon.get("/expectations").text)
