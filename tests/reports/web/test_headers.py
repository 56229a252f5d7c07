"""What every answer tells the browser, and that no page asks for anything that it is told to refuse."""

from __future__ import annotations

import re
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path

import pytest
from fastapi import FastAPI

from reports.web.access import FORM_BYTES, Pages, Role, Rule
from reports.web.application import all_endpoints
from reports.web.context import environment
from reports.web.static_files import _FILES, static_file
from tests.reports.web.browsing import Browser
from tests.reports.web.test_matrix import address

Make = Callable[[Role | None], Browser]
GETS = [rule for rule, _ in all_endpoints() if rule.method == "GET"]


class _Asked(HTMLParser):
    """What a page loads, runs or sends."""

    def __init__(self) -> None:
        super().__init__()
        self.nonces: list[str | None] = []
        self.addresses: list[str] = []
        self.inline: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = dict(attrs)
        if tag in ("script", "style") or (tag == "link" and found.get("rel") == "stylesheet"):
            self.nonces.append(found.get("nonce"))
        self.addresses += [
            found[name] or "" for name in ("src", "href", "action", "hx-get", "hx-post") if name in found
        ]
        self.inline += [name for name in found if name.startswith("on") or name == "style"]


@pytest.mark.parametrize("rule", GETS, ids=lambda rule: rule.path)
def test_every_page_keeps_to_its_policy(shared_browser: Make, rule: Rule) -> None:
    roles = rule.task.roles
    answer = shared_browser(next(iter(roles)) if roles else None).get(address(rule))
    policy = answer.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "frame-ancestors 'none'" in policy
    assert "unsafe-inline" not in policy
    assert "unsafe-eval" not in policy
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["referrer-policy"] == "same-origin"
    if not answer.headers.get("content-type", "").startswith("text/html"):
        return
    assert answer.headers["cache-control"] == "no-store"
    (nonce,) = set(re.findall(r"'nonce-([\w-]{22})'", policy))
    asked = _Asked()
    asked.feed(answer.text)
    assert asked.nonces
    assert set(asked.nonces) == {nonce}
    assert asked.inline == []
    assert [path for path in asked.addresses if not re.match(r"(/(?!/)|#|\?|data:,$)", path)] == []


def test_a_nonce_is_used_once(browser: Make) -> None:
    one = browser(None)
    policies = {one.get("/sign-in").headers["content-security-policy"] for _ in range(3)}
    assert len(policies) == 3


def test_templates_hold_no_address_of_elsewhere_and_escape_what_they_show() -> None:
    assert environment().autoescape is True
    for path in (Path(__file__).parents[3] / "reports" / "web" / "templates").glob("*.html"):
        text = path.read_text(encoding="utf-8")
        assert not re.search(r"https?://|\|\s*safe\b|\son[a-z]+=|\sstyle=|javascript:", text), path.name


def test_style_and_script_are_kept_by_the_browser_and_found_by_name_alone(browser: Make) -> None:
    one = browser(None)
    for name in _FILES:
        answer = one.get(f"/static/{name}")
        assert answer.status_code == 200
        assert "immutable" in answer.headers["cache-control"]
    for name in ("../state.sql", "..%2fstate.sql", "web.css%00", "nothing.css", ".", "%2e%2e"):
        assert one.get(f"/static/{name}").status_code == 404
    script = static_file("htmx.min.js")
    assert script is not None
    assert b"Zero-Clause BSD" in (static_file("htmx.LICENSE.txt") or (b"", ""))[0]


def test_a_form_that_is_too_large_is_refused(browser: Make) -> None:
    one = browser(Role.DIRECTOR)
    assert one.post("/quarter/2026-Q3/comments", {"words": "a" * (FORM_BYTES + 1)}).status_code == 413
    assert one.post("/quarter/2026-Q3/comments", {"words": "a" * 30_000}).status_code == 422


def test_a_fault_of_the_program_tells_nothing_of_its_inside(
    application: FastAPI, browser: Make, caplog: pytest.LogCaptureFixture
) -> None:
    pages = Pages()

    @pages.get("/broken", task="home", what="Broken")
    def broken() -> None:
        raise ValueError(" ".join(("a value", "of a record")))

    application.router.add_api_route("/broken", broken, response_model=None)
    answer = browser(Role.SURGEON).get("/broken")
    assert answer.status_code == 500
    assert "This is a fault of the program" in answer.text
    assert "a value of a record" not in answer.text + caplog.text
    assert "ValueError" in caplog.text
    assert "default-src 'none'" in answer.headers["content-security-policy"]


def test_what_is_typed_is_shown_as_text(browser: Make) -> None:
    one = browser(Role.DIRECTOR)
    typed = '"><script>alert(1)</script>'
    for answer in (
        one.get("/quarter", params={"quarter": typed[:20]}),
        one.get("/access-log", params={"account": typed}),
        one.get(f"/quarter/{'<b>x'}"),
        one.post("/quarter/2026-Q3/actions", {"words": typed, "owner": typed, "due": "2030-01-01", "about": typed}),
    ):
        assert "<script>alert" not in answer.text
        assert "<b>x" not in answer.text
