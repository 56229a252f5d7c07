"""The commands of the web application, as typed."""

from __future__ import annotations

import re
import socket
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from reports.command_line import app
from reports.web import server
from reports.web.access import Role
from reports.web.accounts import accounts, link_owner, use_link
from reports.web.server import checked_listening

PASSWORD = "quiet lantern meadow seven"


def run(*args: object) -> tuple[int, str]:
    result = CliRunner().invoke(app, [str(arg) for arg in args])
    return result.exit_code, result.output


@pytest.fixture
def served(monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    """What would have been served; whether the port is free is not asked, since tests run beside each other."""
    calls: list[Any] = []
    monkeypatch.setattr(server, "check_free", lambda listening: None)
    monkeypatch.setattr(server, "run_server", lambda *what: calls.append(what))
    return calls


def test_the_first_start_makes_a_link_for_the_first_director_until_it_is_used(
    empty_registry: Path, served: list[Any]
) -> None:
    code, text = run("serve", "--registry", empty_registry)
    assert code == 0
    first = re.search(r"^http://127.0.0.1:8321/welcome/(\S+)$", text, re.M)
    assert first is not None
    again = re.search(r"/welcome/(\S+)$", run("serve", "--registry", empty_registry)[1], re.M)
    assert again is not None
    assert link_owner(empty_registry, first[1]) is None  # the newer link replaced it
    use_link(empty_registry, again[1], PASSWORD)
    assert "/welcome/" not in run("serve", "--registry", empty_registry)[1]
    assert [account.name for account in accounts(empty_registry)] == ["director"]
    assert len(served) == 3


@pytest.mark.parametrize(
    ("options", "roles"),
    [
        ([], set()),
        (
            ["--demand-second-step", "director", "--demand-second-step", "data-manager"],
            {Role.DIRECTOR, Role.DATA_MANAGER},
        ),
    ],
)
def test_a_second_step_is_demanded_of_the_roles_named(
    empty_registry: Path, served: list[Any], options: list[str], roles: set[Role]
) -> None:
    assert run("serve", "--registry", empty_registry, *options)[0] == 0
    [(folder, listening, demanded)] = served
    assert (folder, listening.port, demanded) == (empty_registry, 8321, roles)


def test_no_second_step_is_demanded_of_a_role_that_does_not_exist(empty_registry: Path, served: list[Any]) -> None:
    code, text = run("serve", "--registry", empty_registry, "--demand-second-step", "nurse")
    assert (code, served) == (1, [])
    assert "no such role" in text


def test_nothing_is_served_where_there_is_no_registry(tmp_path: Path, served: list[Any]) -> None:
    code, text = run("serve", "--registry", tmp_path)
    assert (code, served) == (1, [])
    assert "no registry in this folder" in text
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("options", "why"),
    [
        (["--host", "0.0.0.0"], "travel in the clear"),
        (["--host", "192.0.2.1"], "travel in the clear"),
        (["--host", "outcomes.example"], "no address of this machine"),
        (["--tls-key", "key.pem"], "takes both files"),
        (["--tls-key", "key.pem", "--tls-certificate", "chain.pem"], "no such file"),
    ],
)
def test_it_listens_beyond_this_machine_only_with_tls(
    empty_registry: Path, served: list[Any], options: list[str], why: str
) -> None:
    code, text = run("serve", "--registry", empty_registry, *options)
    assert (code, served) == (1, [])
    assert why in text


def test_an_address_that_is_taken(empty_registry: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        code, text = run("serve", "--registry", empty_registry, "--port", port)
    assert code == 1
    assert f"127.0.0.1:{port}: cannot listen there (address already in use). Choose another --port" in text


def test_with_tls_it_listens_where_it_is_told_under_the_names_given(tmp_path: Path) -> None:
    chain, key = tmp_path / "chain.pem", tmp_path / "key.pem"
    chain.touch()
    key.touch()
    found = checked_listening("0.0.0.0", 443, chain, key, ["outcomes.example"])
    assert found.is_secure
    assert found.address == "https://outcomes.example:443"
    assert found.names == ("outcomes.example", "0.0.0.0")
    assert checked_listening("::1", 80, None, None, []).names == ("127.0.0.1", "localhost", "[::1]")


def test_accounts_are_added_listed_linked_and_disabled(empty_registry: Path) -> None:
    at = ("--registry", empty_registry)
    assert "There is no account yet" in run("accounts", "list", *at)[1]
    code, text = run("accounts", "add", "sam", "--role", "surgeon", "--surgeon", "S2", *at)
    assert code == 0
    token = re.search(r"/welcome/(\S+)", text)
    assert token is not None
    assert link_owner(empty_registry, token[1]) == "sam"
    code, text = run("accounts", "add", "rita", "--role", "researcher", "--levels", "anonymous,limited", *at)
    assert code == 0
    assert run("accounts", "add", "max", "--role", "data-manager", *at)[0] == 0
    listed = run("accounts", "list", *at)[1].splitlines()
    assert max(len(line) for line in listed) <= 80
    assert re.search(r"rita +researcher +anonymous,limited +never +link unused", "\n".join(listed))
    assert re.search(r"sam +surgeon +S2 ", "\n".join(listed))
    assert "/welcome/" in run("accounts", "link", "sam", *at)[1]
    assert run("accounts", "link", "sam", "--without-second-step", *at)[0] == 0
    assert run("accounts", "sign-out", "sam", *at) == (0, "The sessions of sam have ended.\n")
    assert run("accounts", "disable", "sam", *at)[0] == 0
    assert re.search(r"sam .*disabled", run("accounts", "list", *at)[1])


@pytest.mark.parametrize(
    ("arguments", "why"),
    [
        (["add", "sam", "--role", "surgeon", "--surgeon", "S9"], "no such surgeon code"),
        (["add", "sam", "--role", "king"], "no such role"),
        (["disable", "nobody"], "no account of this name"),
        (["link", "nobody"], "no account of this name"),
    ],
)
def test_what_cannot_be_done_is_said(empty_registry: Path, arguments: list[str], why: str) -> None:
    code, text = run("accounts", *arguments, "--registry", empty_registry)
    assert code == 1
    assert why in text
