"""My outcomes: the code comes from the account; a page made for another code is never shown."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest

from registry.store import open_registry
from reports.web import report_jobs
from reports.web.access import Role
from reports.web.jobs import Jobs
from reports.web.state import open_state
from tests.reports.web.browsing import Browser
from tests.reports.web.jobs_at_once import start_at_once
from tests.small_registry import small_registry

Make = Callable[[Role | None], Browser]
PAGE = (
    "<html><head><title>Page of {surgeon}</title></head>\n<body>\n"
    '<a class="skip" href="#content">Skip</a>\n<main id="content">Results of {surgeon}</main>\n</body></html>'
)


def make_quickly(registry: Path, request: Mapping[str, Any], files: Path, progress: object) -> dict[str, Any]:
    """In place of the comparison, whose page has its own tests: what was asked for, on what it rests on."""
    (files / "benchmark.html").write_text(PAGE.format(surgeon=request["surgeon"]))
    (files / "benchmark.pdf").write_bytes(b"%PDF-")
    (files / "figures.json").write_text("{}")
    with open_registry(registry) as opened:
        return {"ground": report_jobs.ground(opened), "not_registered": None}


@pytest.fixture
def surgeon(empty_registry: Path, browser: Make, monkeypatch: pytest.MonkeyPatch) -> Browser:
    with small_registry(empty_registry, patient=[{"patient_key": "a"}], session=[{"patient_key": "a"}]):
        pass
    monkeypatch.setattr(Jobs, "start", start_at_once)
    monkeypatch.setattr(report_jobs, "make_benchmark", make_quickly)
    return browser(Role.SURGEON)


def test_the_page_is_prepared_for_the_own_code(surgeon: Browser) -> None:
    assert "has not been prepared" in surgeon.get("/my-outcomes").text
    sent = surgeon.post("/my-outcomes/prepare", {"quarter": "2019-Q4", "surgeon": "S2", "code": "S2"})
    assert sent.headers["location"] == "/my-outcomes?quarter=2019-Q4"
    page = surgeon.get("/my-outcomes?quarter=2019-Q4&surgeon=S2").text
    assert "Results of S1" in page
    assert surgeon.get("/my-outcomes/2019-Q4/files/benchmark.pdf").content == b"%PDF-"
    assert surgeon.get("/my-outcomes/2019-Q3/files/benchmark.pdf").status_code == 404
    assert surgeon.get("/my-outcomes/2019-Q4/files/benchmark.html").status_code == 404
    assert surgeon.get("/my-outcomes?quarter=S2").status_code == 400


def test_a_page_of_another_code_is_never_shown(surgeon: Browser) -> None:
    """An account that is bound anew sees nothing of what was made before."""
    surgeon.post("/my-outcomes/prepare", {"quarter": "2019-Q4"})
    with open_state(surgeon.web.folder) as state:
        state.execute("update accounts set surgeon_code = 'S2' where name = 'sam'")
    page = surgeon.get("/my-outcomes?quarter=2019-Q4").text
    assert "has not been prepared" in page
    assert "S1" not in page
    assert surgeon.get("/my-outcomes/2019-Q4/files/benchmark.pdf").status_code == 404


def test_what_changed_since_is_said(surgeon: Browser) -> None:
    surgeon.post("/my-outcomes/prepare", {"quarter": "2019-Q4"})
    assert "have changed" not in surgeon.get("/my-outcomes?quarter=2019-Q4").text
    settings = surgeon.web.folder / "settings.toml"
    settings.write_text(settings.read_text().replace("denominator = 10", "denominator = 12"))
    assert "these have changed: the settings" in surgeon.get("/my-outcomes?quarter=2019-Q4").text


def test_a_file_that_is_gone(surgeon: Browser) -> None:
    surgeon.post("/my-outcomes/prepare", {"quarter": "2019-Q4"})
    (gone,) = (surgeon.web.folder / "web_pages" / "jobs").glob("*/benchmark.pdf")
    gone.unlink()
    answer = surgeon.get("/my-outcomes/2019-Q4/files/benchmark.pdf")
    assert answer.status_code == 400
    assert "Prepare the page again" in answer.text
