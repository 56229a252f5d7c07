"""The log of access: what stands in it, what is chosen, and what leaves it as CSV."""

from __future__ import annotations

import csv
import io
import sqlite3
from collections.abc import Callable

import pytest

from reports.web.access import Role
from reports.web.access_log import accesses
from reports.web.state import open_state
from tests.reports.web.browsing import Browser

Make = Callable[[Role | None], Browser]


def test_visits_of_results_and_refusals_are_in_it_and_progress_is_not(browser: Make) -> None:
    director, surgeon = browser(Role.DIRECTOR), browser(Role.SURGEON)
    director.get("/quarter")
    director.get("/account")
    surgeon.get("/quarter")
    surgeon.get("/status")
    assert [(line.account, line.path, line.outcome) for line in reversed(accesses(director.web.folder))] == [
        ("dora", "/quarter", "granted"),
        ("sam", "/quarter", "refused"),
        ("sam", "/status", "refused"),
    ]


def test_choosing_lines(browser: Make) -> None:
    director, surgeon = browser(Role.DIRECTOR), browser(Role.SURGEON)
    director.get("/quarter")
    surgeon.get("/quarter")
    with open_state(director.web.folder) as state:
        state.execute("drop trigger access_log_stays")
        state.execute("update access_log set at = '2020-05-05T10:00:00+00:00' where account = 'sam'")
    page = director.get("/access-log", params={"account": "sam"}).text
    assert "2020-05-05 10:00:00" in page
    assert "dora, director</td>" not in page
    for chosen, there in (
        ({"outcome": "refused"}, True),
        ({"outcome": "granted"}, False),
        ({"last_on": "2020-05-05"}, True),
        ({"last_on": "2020-05-04"}, False),
        ({"first_on": "2020-05-06"}, False),
        ({"first_on": "no day"}, True),
    ):
        assert ("2020-05-05 10:00:00" in director.get("/access-log", params=chosen).text) is there, chosen
    assert "No line fits." in director.get("/access-log", params={"account": "nobody"}).text


def test_the_log_as_csv_runs_no_formula(browser: Make) -> None:
    director = browser(Role.DIRECTOR)
    with open_state(director.web.folder) as state:
        state.execute(
            "insert into access_log (at, account, role, method, path, what, outcome, status) "
            "values ('2020-01-01T00:00:00+00:00', null, null, 'GET', '=1+1', '@x', 'granted', 200)"
        )
    answer = director.get("/access-log/csv")
    assert answer.headers["content-disposition"].startswith('attachment; filename="access-log-')
    (line,) = csv.DictReader(io.StringIO(answer.text))
    assert (line["path"], line["what"], line["account"], line["status"]) == ("'=1+1", "'@x", "", "200")
    assert accesses(director.web.folder, most=1)[0].what == "Taking the log of access"


def test_status_and_settings_by_role(browser: Make) -> None:
    director, manager = browser(Role.DIRECTOR).get("/status").text, browser(Role.DATA_MANAGER).get("/status").text
    assert "Nothing has been taken in yet." in director
    assert "S1, S2" in director
    assert "rita" in director
    assert "S1, S2" not in manager
    assert "rita" not in manager


@pytest.mark.parametrize("statement", ["delete from access_log", "update access_log set account = 'max'"])
def test_the_log_is_only_added_to(browser: Make, statement: str) -> None:
    director = browser(Role.DIRECTOR)
    director.get("/quarter")
    with open_state(director.web.folder) as state, pytest.raises(sqlite3.IntegrityError, match="only added to"):
        state.execute(statement)
    assert accesses(director.web.folder)[-1].account == "dora"
