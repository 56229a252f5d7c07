"""Sessions: how they begin, how they end, and what the browser holds of them."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest

from reports.web.access import Role
from reports.web.access_log import accesses
from reports.web.accounts import disable_account, end_sessions, new_link, use_link
from reports.web.application import create_application
from reports.web.sessions import IDLE, LONGEST, start_session, visitor_of
from reports.web.state import now, open_state
from tests.reports.web.browsing import HOST, PASSWORD, Browser

Make = Callable[[Role | None], Browser]


def test_from_the_link_to_signing_out(browser: Make) -> None:
    one = browser(None)
    link = f"/welcome/{new_link(one.web.folder, 'dora')}"
    page = one.get(link)
    assert "dora" in page.text
    one.csrf = one.client.cookies[one.web.form_cookie]
    assert "not the same" in one.post(link, {"password": PASSWORD, "again": "other"}).text
    assert one.post(link, {"password": PASSWORD, "again": PASSWORD}).headers["location"] == "/sign-in"
    assert "no longer works" in one.get(link).text
    wrong = one.post("/sign-in", {"name": "dora", "password": "wrong"})
    assert wrong.status_code == 400
    assert "Name, password or code is wrong." in wrong.text
    signed_in = one.post("/sign-in", {"name": "dora", "password": PASSWORD})
    assert signed_in.headers["location"] == "/"
    cookie = signed_in.headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=strict" in cookie
    page = one.get("/")
    assert "What would you like to do?" in page.text
    one.csrf = page.text.split('name="csrf" value="')[1].split('"')[0]
    held = one.client.cookies[one.web.session_cookie]
    left = one.post("/sign-out")
    assert left.headers["location"] == "/sign-in"
    assert left.headers["clear-site-data"] == '"cache", "storage"'
    one.client.cookies.set(one.web.session_cookie, held)
    assert one.get("/").headers["location"] == "/sign-in"  # a stolen cookie opens nothing afterwards
    said = [(line.what, line.outcome) for line in accesses(one.web.folder)]
    assert ("Signing in: as dora", "granted") in said
    assert ("Signing in: as dora", "failed") in said
    assert not any(PASSWORD in str(line) or link in str(line) for line in accesses(one.web.folder))


def test_a_name_that_is_no_account_is_not_written_down(browser: Make) -> None:
    one = browser(None)
    one.get("/sign-in")
    one.csrf = one.client.cookies[one.web.form_cookie]
    one.post("/sign-in", {"name": PASSWORD, "password": "x"})
    assert accesses(one.web.folder, most=1)[0].what == "Signing in: as nobody known"


def test_cookies_travel_by_tls_alone_where_there_is_tls(empty_registry: Path) -> None:
    one = Browser(create_application(empty_registry, is_secure=True, hosts=[HOST]))
    answer = one.client.get(f"https://{HOST}/sign-in")
    assert answer.headers["set-cookie"].startswith("__Host-")
    assert "Secure" in answer.headers["set-cookie"]
    assert answer.headers["strict-transport-security"] == "max-age=31536000; includeSubDomains"


def test_a_session_ends_when_idle_and_after_half_a_day(browser: Make) -> None:
    folder = browser(None).web.folder
    token, moment = start_session(folder, 1), now()
    second = timedelta(seconds=1)
    assert visitor_of(folder, token, moment + IDLE - second) is not None
    assert visitor_of(folder, token, moment + 2 * IDLE - 2 * second) is not None  # the visit before counted
    assert visitor_of(folder, token, moment + 3 * IDLE) is None
    with open_state(folder) as state:
        state.execute("update sessions set last_seen_at = '2099-01-01T00:00:00+00:00'")
    assert visitor_of(folder, token, moment + LONGEST - second) is not None
    assert visitor_of(folder, token, moment + LONGEST) is None


@pytest.mark.parametrize("token", [None, "", "x", "' or 1=1 --"])
def test_what_is_no_token_opens_nothing(browser: Make, token: str | None) -> None:
    assert visitor_of(browser(None).web.folder, token) is None


def test_a_disabled_account_is_out_at_once(browser: Make) -> None:
    one = browser(Role.DIRECTOR)
    assert one.get("/").status_code == 200
    disable_account(one.web.folder, "dora")
    assert one.get("/").status_code == 303


def test_a_changed_password_ends_the_other_sessions(browser: Make) -> None:
    one = browser(Role.DIRECTOR)
    use_link(one.web.folder, new_link(one.web.folder, "dora"), PASSWORD)
    assert one.get("/").status_code == 303  # and so does a one-time link
    first, second = browser(Role.DIRECTOR), browser(Role.DIRECTOR)
    wanted = "another four words here"
    said = first.post("/account/password", {"present": "wrong", "password": wanted, "again": wanted})
    assert "The present password is another one." in said.text
    done = first.post("/account/password", {"present": PASSWORD, "password": wanted, "again": wanted})
    assert done.status_code == 303
    assert "The password is changed" in first.get("/account").text
    assert "The password is changed" not in first.get("/account").text
    assert second.get("/").status_code == 303


def test_the_second_step_from_the_page(browser: Make) -> None:
    import pyotp

    one = browser(Role.DIRECTOR)
    page = one.post("/account/second-step/new").text
    secret = page.split('<p class="code key">')[1].split("<")[0]
    sent = {"code": pyotp.TOTP(secret).now()}
    assert "does not fit" in one.post("/account/second-step/on", {"code": "x", "present": PASSWORD}).text
    assert "another one" in one.post("/account/second-step/on", {**sent, "present": "wrong"}).text
    assert one.post("/account/second-step/on", {**sent, "present": PASSWORD}).status_code == 303
    assert "is asked for at each sign-in" in one.get("/account").text
    again = one.post("/account/second-step/on", {**sent, "present": PASSWORD})
    assert again.status_code == 400  # a key is proved once
    assert one.post("/account/second-step/off", {"present": "wrong"}).status_code == 400
    assert one.post("/account/second-step/off", {"present": PASSWORD}).status_code == 303


def test_signing_in_again_ends_the_session_before(browser: Make) -> None:
    one = browser(Role.DIRECTOR)
    held = one.client.cookies[one.web.session_cookie]
    assert one.post("/sign-in", {"name": "Dora", "password": PASSWORD}).status_code == 303
    assert one.get("/").status_code == 200
    assert visitor_of(one.web.folder, held) is None
    assert accesses(one.web.folder, most=1)[0].what == "Signing in: as dora"


def test_sessions_elsewhere_are_told_and_ended(browser: Make) -> None:
    first, second = browser(Role.DIRECTOR), browser(Role.DIRECTOR)
    assert "signed in elsewhere" in first.get("/account").text
    assert first.post("/account/end-others", {"present": "wrong"}).status_code == 400
    assert second.get("/").status_code == 200
    assert first.post("/account/end-others", {"present": PASSWORD}).status_code == 303
    assert second.get("/").status_code == 303
    assert "signed in here alone" in first.get("/account").text


def test_an_operator_ends_all_sessions_of_an_account(browser: Make) -> None:
    one, other = browser(Role.DIRECTOR), browser(Role.SURGEON)
    end_sessions(one.web.folder, "dora")
    assert (one.get("/").status_code, other.get("/").status_code) == (303, 200)
