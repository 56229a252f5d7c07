"""Every page that a surgeon or a researcher can come to by following links, looked through for codes of others."""

from __future__ import annotations

import re
from html import unescape
from pathlib import Path

import pytest

from registry.store import open_registry, start_registry
from reports.web.access import Role
from reports.web.jobs import Jobs
from synthetic_data import SITES, SURGEONS, simulate
from tests.reports.web.browsing import Browser, application_over
from tests.reports.web.jobs_at_once import start_at_once
from tests.small_registry import load_frames

OWN = SURGEONS[0]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("codes") / "registry"
    start_registry(path, list(SITES), list(SURGEONS), "Test practice")
    with open_registry(path, read_only=False) as registry:
        load_frames(registry, dict(simulate(300, 5).frames))
    return path


def followed(one: Browser) -> dict[str, str]:
    """Text of every page and download by its address. A PDF is made of the page of the same name."""
    waiting, seen = ["/", "/account", "/records", "/quarter", "/status", "/visits-due"], dict[str, str]()
    while waiting:
        path = waiting.pop()
        if path in seen or path.startswith("/static/"):
            continue
        answer = one.get(path)
        assert answer.status_code < 500, path
        packed = answer.headers.get("content-type") in ("application/pdf", "application/zip")
        seen[path] = "" if packed else answer.text  # in packed bytes a code may stand by chance
        if answer.headers.get("content-type", "").startswith("text/html"):
            found = re.findall(r'(?:href|action)="(/[^"#]*)', answer.text)
            waiting += [unescape(link) for link in found if link != "/sign-out"]
        if "location" in answer.headers:
            waiting.append(answer.headers["location"])
    return seen


@pytest.mark.slow
@pytest.mark.parametrize("role", [Role.SURGEON, Role.RESEARCHER])
def test_no_code_of_another_surgeon(folder: Path, role: Role, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Jobs, "start", start_at_once)
    one = Browser(application_over(folder, OWN), role)
    assert one.post("/expectations").status_code == 303
    if role is Role.SURGEON:
        assert one.post("/consultation", {"age": "40", "sex": "male"}).status_code == 303
        assert one.post("/my-outcomes/prepare", {"quarter": "2026-Q3"}).status_code == 303
    else:
        assert one.post("/cohorts", {"name": "everybody"}).status_code == 303
    pages = followed(one)
    assert len(pages) > 10
    others = [code for code in SURGEONS if not (role is Role.SURGEON and code == OWN)]
    named = re.compile(rf"\b(?:{'|'.join(others)})\b")
    assert {path: found[0] for path, text in pages.items() if (found := named.search(text))} == {}


@pytest.mark.slow
def test_the_search_finds_codes_where_they_may_be(folder: Path) -> None:
    assert re.search(rf"\b{SURGEONS[3]}\b", Browser(application_over(folder, OWN), Role.DIRECTOR).get("/status").text)
