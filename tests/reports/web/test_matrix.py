"""All routes by all roles, made from the rules themselves: who may not is refused, and it is written down."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from fastapi import FastAPI
from fastapi.routing import APIRoute

from reports.web.access import TASKS, Role, Rule
from reports.web.access_log import REFUSED, Access, accesses
from reports.web.application import all_endpoints
from reports.web.guard import GuardedRoute
from tests.reports.web.browsing import NAMES, Browser

RULES = [rule for rule, _ in all_endpoints()]
Make = Callable[[Role | None], Browser]
CLOSED = [rule for rule in RULES if rule.task.roles is not None]
FILLED = {"quarter": "2026-Q3", "name": "infection", "number": "1", "job_id": "0" * 32}
"""What stands in an address; anything else is filled with 1. Nobody who is refused learns whether it exists."""


def address(rule: Rule) -> str:
    return re.sub(r"\{(\w+)(:\w+)?\}", lambda part: FILLED.get(part[1], "1"), rule.path)


def named(rule: Rule) -> str:
    return f"{rule.method} {rule.path}"


def newest(folder: Path) -> Access:
    return accesses(folder, most=1)[0]


def ask(browser: Browser, rule: Rule) -> int:
    path = address(rule)
    if rule.method == "GET":
        return browser.get(path).status_code
    return browser.post(path, headers={"x-csrf-token": browser.csrf}).status_code


def test_every_route_has_a_rule_and_every_task_with_a_page_a_route(shared_application: FastAPI) -> None:
    routes = [route for route in shared_application.routes if isinstance(route, APIRoute)]
    assert len(routes) == len(shared_application.routes) == len(RULES)
    assert all(isinstance(route, GuardedRoute) for route in routes)
    assert {rule.method for rule in RULES} == {"GET", "POST"}
    assert {rule.task.name for rule in RULES} <= {task.name for task in TASKS}


def test_a_route_without_a_task_cannot_be_made(shared_application: FastAPI) -> None:
    def page() -> None: ...

    with pytest.raises(TypeError, match="names no task"):
        shared_application.router.add_api_route("/open", page)


@pytest.mark.parametrize("role", Role)
@pytest.mark.parametrize("rule", CLOSED, ids=named)
def test_whoever_may_not_is_refused_and_it_is_written_down(shared_browser: Make, rule: Rule, role: Role) -> None:
    assert rule.task.roles is not None
    if role in rule.task.roles:
        if rule.method == "GET":
            assert ask(shared_browser(role), rule) in (200, 303, 400, 404)
        return
    one = shared_browser(role)
    assert ask(one, rule) == 403
    line = newest(one.web.folder)
    assert (line.account, line.role, line.outcome, line.status) == (NAMES[role], role, REFUSED, 403)
    assert (line.method, line.path) == (rule.method, address(rule))


@pytest.mark.parametrize("rule", CLOSED, ids=named)
def test_a_stranger_gets_nothing_and_it_is_written_down(shared_browser: Make, rule: Rule) -> None:
    nobody = shared_browser(None)
    assert ask(nobody, rule) == (303 if rule.method == "GET" else 401)
    line = newest(nobody.web.folder)
    assert (line.account, line.outcome, line.path) == (None, REFUSED, address(rule))


@pytest.mark.parametrize("rule", [rule for rule in RULES if rule.method != "GET"], ids=named)
def test_nothing_is_changed_without_the_token(shared_browser: Make, rule: Rule) -> None:
    role = next(iter(rule.task.roles)) if rule.task.roles else None
    one, path = shared_browser(role), address(rule)
    for sent in (
        one.client.post(path),
        one.client.post(path, data={"csrf": "wrong"}),
        one.client.post(path, headers={"x-csrf-token": "wrong"}),
        one.client.post(path, params={"csrf": ""}),
        one.client.post(path, headers={"x-csrf-token": one.csrf, "origin": "https://elsewhere.example"}),
        one.client.post(path, headers={"x-csrf-token": one.csrf, "sec-fetch-site": "cross-site"}),
    ):
        assert sent.status_code == 403
        assert newest(one.web.folder).outcome == REFUSED


@pytest.mark.parametrize("rule", CLOSED, ids=named)
def test_only_the_declared_method_is_answered(shared_browser: Make, rule: Rule) -> None:
    one = shared_browser(next(iter(rule.task.roles or Role)))
    for method in ("PUT", "DELETE", "PATCH", "HEAD", "OPTIONS", "TRACE"):
        assert one.client.request(method, address(rule)).status_code == 405
