"""The page Cohorts: counts masked, levels granted, and nothing of sites or people for researchers. By hand."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest
from fastapi import FastAPI

from registry.store import open_registry
from reports.web.access import Role
from reports.web.application import create_application
from reports.web.job_tasks import EXPORT
from reports.web.jobs import Jobs, Status
from reports.web.state import open_state
from tests.reports.web.browsing import HOST, Browser, said
from tests.reports.web.jobs_at_once import start_at_once
from tests.small_registry import insert_rows

Make = Callable[[Role | None], Browser]


@pytest.fixture(autouse=True)
def _at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Jobs, "start", start_at_once)


@pytest.fixture(autouse=True)
def _records(empty_registry: Path) -> None:
    """64 men and 7 women with a session each; half of the sessions are S1's, all consent to research."""
    people = [
        {"patient_key": f"p{n}", "sex": "male" if n < 64 else "female", "consent_scope": "audit_and_research"}
        for n in range(71)
    ]
    sessions = [
        {"session_key": f"s{n}", "patient_key": f"p{n}", "surgeon_code": ("S1", "S2")[n % 2]} for n in range(71)
    ]
    with open_registry(empty_registry, read_only=False) as registry:
        insert_rows(registry, "patient", people)
        insert_rows(registry, "session", sessions)
        insert_rows(registry, "site_period", [{}])


def numbers(page: str) -> list[str]:
    return re.findall(r'data-head="Remain"><span class="cell"><span class="first">([^<]*)<', page)


def test_a_researcher_sees_rounded_counts_and_no_small_ones(browser: Make) -> None:
    one = browser(Role.RESEARCHER)
    assert numbers(one.get("/cohorts").text) == ["70", "70", "70"]
    women = one.post("/cohorts/count", {"w-sex": "female"}).text
    assert numbers(women) == ["70", "70", "fewer than 11", "fewer than 11"]
    assert "71" not in said(women)
    assert ">7<" not in women
    assert numbers(one.post("/cohorts/count", {"w-sex": "female", "x-sex": "out"}).text) == ["70", "70", "60", "60"]


def test_the_director_sees_exact_counts(browser: Make) -> None:
    director = browser(Role.DIRECTOR)
    assert numbers(director.post("/cohorts/count", {"w-sex": "female"}).text) == ["71", "71", "7", "7"]
    assert numbers(director.post("/cohorts/count", {"w-surgeon_code": "S1"}).text) == ["71", "71", "36", "36"]


def test_a_researcher_never_meets_codes_of_people(browser: Make, empty_registry: Path) -> None:
    director, one = browser(Role.DIRECTOR), browser(Role.RESEARCHER)
    assert "surgeon_code" not in one.get("/cohorts").text
    assert one.post("/cohorts/count", {"w-surgeon_code": "S1"}).status_code == 403
    assert one.post("/cohorts", {"name": "mine", "w-surgeon_code": "S1"}).status_code == 403
    director.post("/cohorts", {"name": "of-s1", "w-surgeon_code": "S1"})
    assert "of-s1" in director.get("/cohorts").text
    assert "of-s1" not in one.get("/cohorts").text
    assert one.get("/cohorts/of-s1").status_code == 403
    assert one.post("/cohorts/of-s1/export", {"level": "anonymous"}).status_code == 403
    assert "This name is taken" in one.post("/cohorts", {"name": "of-s1"}).text


def test_a_cohort_is_kept_exported_and_downloaded(browser: Make, application: FastAPI) -> None:
    one = browser(Role.RESEARCHER)
    assert one.post("/cohorts", {"name": "men", "w-sex": "male"}).headers["location"] == "/cohorts/men"
    page = one.get("/cohorts/men").text
    assert numbers(page) == ["70", "70", "60", "60"]
    assert "<svg" in page
    assert one.post("/cohorts/men/export", {"level": "anonymous", "format": ["parquet"]}).status_code == 303
    job = application.state.jobs.listed(kind=EXPORT)[0]
    assert job.status is Status.DONE, job.result
    link = re.findall(r"/cohorts/exports/[0-9a-f]{32}", one.get("/cohorts/men").text)
    assert link == [f"/cohorts/exports/{job.id}"]
    restarted = Browser(create_application(one.web.folder, hosts=[HOST]), Role.RESEARCHER)
    answer = restarted.get(link[0])
    assert answer.headers["content-disposition"] == 'attachment; filename="men-1-anonymous-1.zip"'
    with zipfile.ZipFile(io.BytesIO(answer.content)) as archive:
        files = {name: archive.read(name) for name in archive.namelist()}
    assert {"disclosure.md", "data/patients.csv", "data/patients.parquet"} <= set(files)
    # packed bytes may hold any two letters by chance: of Parquet its values are looked at
    tables = [pl.read_parquet(io.BytesIO(held)) for name, held in files.items() if name.endswith(".parquet")]
    content = [held.decode() for name, held in files.items() if not name.endswith(".parquet")]
    content += [table.write_json() for table in tables]
    assert tables
    assert not [text for text in content if "S1" in text]
    assert b"p1______" not in b"".join(files.values())


def test_a_level_that_is_not_granted_is_refused(browser: Make, application: FastAPI) -> None:
    one = browser(Role.RESEARCHER)
    one.post("/cohorts", {"name": "men", "w-sex": "male"})
    for level in ("limited", "internal"):
        assert one.post("/cohorts/men/export", {"level": level}).status_code == 403
    assert one.post("/cohorts/men/export", {"level": "x"}).status_code == 400
    assert application.state.jobs.listed(kind=EXPORT) == []


def test_a_limited_export_for_a_researcher_holds_no_code_of_people(
    browser: Make, application: FastAPI, empty_registry: Path
) -> None:
    with open_state(empty_registry) as state:
        state.execute("update accounts set levels = 'internal limited' where role = 'researcher'")
    one = browser(Role.RESEARCHER)
    one.post("/cohorts", {"name": "men", "w-sex": "male"})
    assert one.post("/cohorts/men/export", {"level": "internal"}).status_code == 403
    one.post("/cohorts/men/export", {"level": "limited", "with_sites": "yes"})
    job = application.state.jobs.listed(kind=EXPORT)[0]
    with zipfile.ZipFile(io.BytesIO(one.get(f"/cohorts/exports/{job.id}").content)) as archive:
        sessions = archive.read("data/sessions.csv").decode()
    assert "performed_on" in sessions
    assert "S1" not in sessions
    assert "surgeon_code" not in sessions.splitlines()[0]


def test_exports_are_their_own_accounts(browser: Make, application: FastAPI, empty_registry: Path) -> None:
    with open_state(empty_registry) as state:
        state.execute("update accounts set levels = 'limited' where role = 'researcher'")
    director, one = browser(Role.DIRECTOR), browser(Role.RESEARCHER)
    director.post("/cohorts", {"name": "men", "w-sex": "male"})
    director.post("/cohorts/men/export", {"level": "limited", "with_sites": "yes"})
    job = application.state.jobs.listed(kind=EXPORT)[0]
    assert job.status is Status.DONE, job.result
    assert director.get(f"/cohorts/exports/{job.id}").status_code == 200
    assert one.get(f"/cohorts/exports/{job.id}").status_code == 403
    assert f"/cohorts/exports/{job.id}" not in one.get("/cohorts/men").text


@pytest.mark.parametrize(
    ("form", "words"),
    [
        ({"name": "../x"}, "That is no name for a cohort"),
        ({"name": "<b>"}, "That is no name for a cohort"),
        ({"name": ""}, "That is no name for a cohort"),
        ({"name": "a", "since": "2026-13-01"}, "the first day is no day"),
        ({"name": "a", "since": "2020-01-02", "until": "2020-01-01"}, "after the last"),
        ({"name": "a", "w-sex": "'; drop table patient; --"}, "sex has no value"),
        ({"name": "a", "w-nothing": "x"}, "cannot be chosen by"),
    ],
)
def test_what_cannot_be_kept_is_said_on_the_form(browser: Make, form: dict[str, str], words: str) -> None:
    answer = browser(Role.RESEARCHER).post("/cohorts", form)
    assert answer.status_code == 400
    assert words.lower() in said(answer.text).lower()
    assert "<b>" not in answer.text


def test_nobody_in_it_is_not_kept(browser: Make) -> None:
    one = browser(Role.RESEARCHER)
    one.post("/cohorts", {"name": "none", "w-sex": "intersex"})
    assert "Nobody is in this cohort" in said(one.get("/cohorts/none").text)
    assert one.get("/cohorts/never").status_code == 404
