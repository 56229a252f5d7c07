"""A second step that is demanded of a role: nothing but one's own account until it is set up."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pyotp
import pytest
from fastapi import FastAPI
from typer.testing import CliRunner

from reports.command_line import app
from reports.web.access import Role, Rule
from reports.web.access_log import REFUSED, accesses
from reports.web.application import all_endpoints
from tests.reports.web.browsing import PASSWORD, Browser, application_over, said
from tests.reports.web.test_matrix import address, named

CLOSED = [
    rule
    for rule, _ in all_endpoints()
    if rule.task.roles and Role.DIRECTOR in rule.task.roles and rule.task.name != "account"
]


@pytest.fixture(scope="module")
def demanding(tmp_path_factory: pytest.TempPathFactory, new_registry: Path) -> FastAPI:
    """An application that demands it of directors, for tests that set nothing up."""
    folder = Path(shutil.copytree(new_registry, tmp_path_factory.mktemp("demanding") / "registry"))
    return application_over(folder, second_step_for=[Role.DIRECTOR])


@pytest.mark.parametrize("rule", CLOSED, ids=named)
def test_every_other_page_is_closed_and_it_is_written_down(demanding: FastAPI, rule: Rule) -> None:
    director, path = Browser(demanding, Role.DIRECTOR), address(rule)
    if rule.method == "GET":
        answer = director.get(path)
        assert (answer.status_code, answer.headers["location"]) == (303, "/account")
    else:
        answer = director.post(path, headers={"x-csrf-token": director.csrf})
        assert answer.status_code == 403
    line = accesses(director.web.folder, most=1)[0]
    assert (line.path, line.outcome, line.status) == (path, REFUSED, answer.status_code)


def test_other_roles_go_on(demanding: FastAPI) -> None:
    assert Browser(demanding, Role.DATA_MANAGER).get("/records").status_code == 200


def test_it_is_set_up_and_cannot_be_turned_off(empty_registry: Path) -> None:
    application = application_over(empty_registry, second_step_for=[Role.DIRECTOR])
    director = Browser(application, Role.DIRECTOR)
    assert "A second step is demanded of a director." in said(director.get("/account").text)
    offered = re.search(r'class="code key">([A-Z2-7]+)<', director.post("/account/second-step/new").text)
    assert offered
    wrong = director.post("/account/second-step/on", {"code": "abcdef", "present": PASSWORD})
    assert wrong.status_code == 400
    assert director.get("/").headers["location"] == "/account"
    code = pyotp.TOTP(offered[1]).now()
    assert director.post("/account/second-step/on", {"code": code, "present": PASSWORD}).status_code == 303
    assert director.get("/").status_code == 200
    assert director.get("/status").status_code == 200
    assert "Turn it off" not in director.get("/account").text
    off = director.post("/account/second-step/off", {"present": PASSWORD})
    assert off.status_code == 400
    assert "demanded of this role" in said(off.text)
    assert Browser(application, Role.DIRECTOR).get("/").status_code == 200


def test_the_command_refuses_a_role_that_is_none(empty_registry: Path) -> None:
    asked = ["serve", "--demand-second-step", "directer", "--registry", str(empty_registry), "--port", "0"]
    result = CliRunner().invoke(app, asked)
    assert result.exit_code == 1
    assert "Did you mean director?" in result.stderr
