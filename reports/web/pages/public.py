"""What is open before signing in: signing in, the one-time link, style and script."""

from __future__ import annotations

from typing import Annotated

from fastapi import Form, Request, Response
from starlette.exceptions import HTTPException

from registry.errors import GraftledgerError

from ..access import Pages
from ..accounts import accounts, link_owner, use_link
from ..context import WebGiven, set_cookie, show
from ..sessions import end_session, start_session
from ..sign_in import sign_in
from ..static_files import static_file

pages = Pages()
_KEPT_SECONDS = 31_536_000


@pages.get("/sign-in", task="public", what="Page to sign in", logged=False)
def sign_in_page(request: Request) -> Response:
    """The form to sign in."""
    return show(request, "sign_in.html", name="", faults=())


@pages.post("/sign-in", task="public", what="Signing in")
def sign_in_now(
    request: Request,
    web: WebGiven,
    name: Annotated[str, Form(max_length=200)] = "",
    password: Annotated[str, Form(max_length=1000)] = "",
    code: Annotated[str, Form(max_length=20)] = "",
) -> Response:
    """Start a session, or show the form again with the reason."""
    known = {one.name.casefold(): one for one in accounts(web.folder)}.get(name.strip().casefold())
    # what is no account's name may be a password typed in the wrong place
    second = ", with a second step" if known and known.has_second_step else ""
    request.state.log_words = f"as {known.name}{second}" if known else "as nobody known"
    try:
        account_id = sign_in(web.folder, name, password, code)
    except GraftledgerError as refusal:
        return show(request, "sign_in.html", status=400, name=name, faults=refusal.faults)
    if request.state.visitor is not None:
        end_session(web.folder, request.state.visitor.session)
    response = Response(status_code=303, headers={"location": "/"})
    set_cookie(response, web, web.session_cookie, start_session(web.folder, account_id))
    return response


@pages.get("/welcome/{token}", task="public", what="Page of a one-time link", logged=False)
def welcome_page(request: Request, web: WebGiven, token: str) -> Response:
    """The form to choose a password."""
    owner = link_owner(web.folder, token)
    return show(request, "welcome.html", status=200 if owner else 400, owner=owner, token=token, faults=())


@pages.post("/welcome/{token}", task="public", what="Choosing a password by a one-time link")
def welcome_now(
    request: Request,
    web: WebGiven,
    token: str,
    password: Annotated[str, Form(max_length=1000)] = "",
    again: Annotated[str, Form(max_length=1000)] = "",
) -> Response:
    """Set the password and go on to signing in."""
    try:
        if password != again:
            raise GraftledgerError("The two passwords are not the same.")
        use_link(web.folder, token, password)
    except GraftledgerError as refusal:
        owner = link_owner(web.folder, token)
        return show(request, "welcome.html", status=400, owner=owner, token=token, faults=refusal.faults)
    return Response(status_code=303, headers={"location": "/sign-in"})


@pages.get("/static/{name}", task="public", what="Style and script", logged=False)
def static(name: str) -> Response:
    """One file of style or script."""
    found = static_file(name)
    if found is None:
        raise HTTPException(404)
    content, kind = found
    return Response(content, media_type=kind, headers={"cache-control": f"public, max-age={_KEPT_SECONDS}, immutable"})
