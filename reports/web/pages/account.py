"""One's own account: password, second step, signing out."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Annotated

from fastapi import Form, Request, Response

from registry.errors import Fault, GraftledgerError

from ..access import Pages, Visitor
from ..accounts import accounts, change_password
from ..context import VisitorGiven, Web, WebGiven, go_to, show
from ..second_step import (
    offer_totp_secret,
    offered_totp_secret,
    totp_address,
    turn_off_second_step,
    turn_on_second_step,
)
from ..sessions import end_other_sessions, end_session, sessions_of
from ..sign_in import require_password

pages = Pages()


@pages.get("/account", task="account", what="Own account", logged=False)
def account_page(request: Request, web: WebGiven, visitor: VisitorGiven) -> Response:
    """Password and second step."""
    return _show(request, web, visitor)


def _show(request: Request, web: Web, visitor: Visitor, *faults: Fault, secret: str = "") -> Response:
    own = next(one for one in accounts(web.folder) if one.account_id == visitor.account_id)
    return show(
        request,
        "account.html",
        status=400 if faults else 200,
        own=own,
        sessions=[one for one in sessions_of(web.folder, visitor.account_id) if one[0] != visitor.session],
        faults=faults,
        secret=secret,
        address=totp_address(secret, own.name, web.practice) if secret else "",
        is_demanded=visitor.role in web.second_step_for,
    )


@pages.post("/account/password", task="account", what="Changing own password")
def password_now(
    request: Request,
    web: WebGiven,
    visitor: VisitorGiven,
    present: Annotated[str, Form(max_length=1000)] = "",
    password: Annotated[str, Form(max_length=1000)] = "",
    again: Annotated[str, Form(max_length=1000)] = "",
) -> Response:
    """Change the password; other sessions of the account end."""
    try:
        if password != again:
            raise GraftledgerError(Fault("the two new passwords are not the same.", field="again"))
        change_password(web.folder, visitor.account_id, present, password, keep_session=visitor.session)
    except GraftledgerError as refusal:
        return _show(request, web, visitor, *refusal.faults)
    return go_to(request, "/account", "The password is changed. Other sessions of this account have ended.")


@pages.post("/account/second-step/new", task="account", what="A key for the second step")
def second_step_new(request: Request, web: WebGiven, visitor: VisitorGiven) -> Response:
    """Show a new key, to be typed into an authenticator. Nothing is kept until a code of it is given."""
    return _show(request, web, visitor, secret=offer_totp_secret(web.folder, visitor.session))


@pages.post("/account/second-step/on", task="account", what="Turning the second step on")
def second_step_on(
    request: Request,
    web: WebGiven,
    visitor: VisitorGiven,
    code: Annotated[str, Form(max_length=20)] = "",
    present: Annotated[str, Form(max_length=1000)] = "",
) -> Response:
    """Turn it on, once a code of the key was given and the password again."""
    try:
        require_password(web.folder, visitor.account_id, present)
        turn_on_second_step(web.folder, visitor.account_id, visitor.session, code)
    except GraftledgerError as refusal:
        return _show(request, web, visitor, *refusal.faults, secret=offered_totp_secret(web.folder, visitor.session))
    return go_to(request, "/account", "From now on a code is asked for at each sign-in.")


@pages.post("/account/second-step/off", task="account", what="Turning the second step off")
def second_step_off(
    request: Request, web: WebGiven, visitor: VisitorGiven, present: Annotated[str, Form(max_length=1000)] = ""
) -> Response:
    """Turn it off, where it is not demanded of the role."""
    if visitor.role in web.second_step_for:
        return _show(request, web, visitor, Fault("the second step is demanded of this role."))
    return _once_confirmed(request, web, visitor, present, turn_off_second_step, "The second step is off.")


@pages.post("/account/end-others", task="account", what="Ending own other sessions")
def end_others(
    request: Request, web: WebGiven, visitor: VisitorGiven, present: Annotated[str, Form(max_length=1000)] = ""
) -> Response:
    """End the sessions of this account in other browsers."""
    return _once_confirmed(request, web, visitor, present, end_other_sessions, "The other sessions have ended.")


def _once_confirmed(
    request: Request, web: Web, visitor: Visitor, present: str, act: Callable[[Path, int, str], None], words: str
) -> Response:
    """Do something to the account or its sessions, with the password asked again; then the page with these words."""
    try:
        require_password(web.folder, visitor.account_id, present)
    except GraftledgerError as refusal:
        return _show(request, web, visitor, *refusal.faults)
    act(web.folder, visitor.account_id, visitor.session)
    return go_to(request, "/account", words)


@pages.post("/sign-out", task="account", what="Signing out")
def sign_out(request: Request, web: WebGiven, visitor: VisitorGiven) -> Response:
    """End the session."""
    end_session(web.folder, visitor.session)
    response = Response(status_code=303, headers={"location": "/sign-in", "clear-site-data": '"cache", "storage"'})
    response.delete_cookie(web.session_cookie, path="/", secure=web.is_secure, httponly=True, samesite="strict")
    return response
