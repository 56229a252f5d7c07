"""A browser without a screen for tests: it keeps cookies and sends the token of its session along."""

from __future__ import annotations

import html
import re
import warnings
from collections.abc import Collection
from pathlib import Path
from typing import Any

import httpx
from argon2 import PasswordHasher
from fastapi import FastAPI

from reports.web.access import Role
from reports.web.accounts import accounts, add_account
from reports.web.application import create_application
from reports.web.context import Web
from reports.web.sessions import start_session, visitor_of
from reports.web.state import open_state

with warnings.catch_warnings():  # the test client asks for a successor of httpx that no package here needs
    warnings.simplefilter("ignore")
    from fastapi.testclient import TestClient

HOST = "testserver"
PASSWORD = "quiet lantern meadow seven"
"""Of every account here."""
NAMES = {
    Role.DIRECTOR: "dora",
    Role.SURGEON: "sam",
    Role.RESEARCHER: "rita",
    Role.DATA_MANAGER: "max",
}
"""Logins of the tests, one a role; the surgeon is bound to one code, the researcher may export at level anonymous."""

_HASH = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1).hash(PASSWORD)


def application_over(folder: Path, surgeon: str = "S1", second_step_for: Collection[Role] = ()) -> FastAPI:
    """The application over a registry folder, with one account a role. surgeon: the code of the surgeon's."""
    application = create_application(folder, hosts=[HOST], second_step_for=second_step_for)
    known = {one.name for one in accounts(folder)}
    for role, name in NAMES.items():
        if name not in known:
            add_account(
                folder,
                name,
                role,
                surgeon_code=surgeon if role is Role.SURGEON else None,
                surgeons=[surgeon],
                levels=["anonymous"] if role is Role.RESEARCHER else [],
            )
            with open_state(folder) as state:
                state.execute("update accounts set password_hash = ? where name = ?", [_HASH, name])
    return application


class Browser:
    """One role's browser, signed in without the cost of a password; role None is nobody."""

    def __init__(self, application: FastAPI, role: Role | None = None) -> None:
        self.web: Web = application.state.web
        self.client = TestClient(application, follow_redirects=False, raise_server_exceptions=True)
        self.csrf = ""
        if role is not None:
            account = next(one for one in accounts(self.web.folder) if one.name == NAMES[role])
            token = start_session(self.web.folder, account.account_id)
            self.client.cookies.set(self.web.session_cookie, token)
            visitor = visitor_of(self.web.folder, token)
            assert visitor is not None
            self.csrf = visitor.csrf

    def get(self, path: str, **options: Any) -> httpx.Response:
        """Ask for a page; a redirection is not followed."""
        response: httpx.Response = self.client.get(path, **options)
        return response

    def post(self, path: str, data: dict[str, Any] | None = None, **options: Any) -> httpx.Response:
        """Send a form, with the token of the session."""
        response: httpx.Response = self.client.post(path, data={"csrf": self.csrf, **(data or {})}, **options)
        return response


def said(page: str) -> str:
    """The words of a page, without its tags."""
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", page)).split())
