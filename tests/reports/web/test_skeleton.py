"""The application answers, tells the browser what it may do, and lets nobody in who is not signed in."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from reports.web.access import Role
from tests.reports.web.browsing import Browser

Make = Callable[[Role | None], Browser]


@pytest.mark.parametrize("role", Role)
def test_each_role_has_a_first_page_with_its_tasks(browser: Make, role: Role) -> None:
    page = browser(role).get("/")
    assert page.status_code == 200
    assert ("Access log" in page.text) is (role is Role.DIRECTOR)
    assert ("My outcomes" in page.text) is (role is Role.SURGEON)


def test_a_stranger_is_sent_to_the_form(browser: Make) -> None:
    answer = browser(None).get("/")
    assert (answer.status_code, answer.headers["location"]) == (303, "/sign-in")


def test_unknown_pages_and_hosts(browser: Make) -> None:
    director = browser(Role.DIRECTOR)
    assert director.get("/nothing").status_code == 404
    assert director.get("/", headers={"host": "elsewhere.example"}).status_code == 400
