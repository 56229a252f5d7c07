"""The gate before every route: session, role, token, size of what is sent; and the line in the log of access."""

from __future__ import annotations

import secrets
from collections.abc import Callable, Coroutine
from typing import Any

from fastapi import Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.routing import APIRoute
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException

from registry.errors import GraftledgerError

from .access import RULE, Refused, Rule, Visitor
from .access_log import FAILED, GRANTED, REFUSED, note_access
from .context import Web
from .refusals import unexpected
from .sessions import visitor_of

FORM_TOKEN = "csrf"  # noqa: S105  (the name of a field)
HEADER_TOKEN = "x-csrf-token"  # noqa: S105  (the name of a header)
OPEN_WITHOUT_SECOND_STEP = ("account", "public")
"""Tasks of whoever has yet to set up a second step that is demanded."""


class GuardedRoute(APIRoute):
    """A route that nobody reaches but those of its rule. Raises: TypeError where the endpoint has no rule."""

    def __init__(self, path: str, endpoint: Callable[..., Any], **options: Any) -> None:
        self.rule: Rule | None = getattr(endpoint, RULE, None)
        if self.rule is None:
            raise TypeError(f"{path} names no task, so nobody may use it. Register it through Pages.")
        super().__init__(path, endpoint, **options)

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """The handler behind the gate."""
        inner, rule = super().get_route_handler(), self.rule
        assert rule is not None

        async def guarded(request: Request) -> Response:
            web: Web = request.app.state.web
            visitor = await run_in_threadpool(visitor_of, web.folder, request.cookies.get(web.session_cookie))
            request.state.visitor = visitor
            path = request.url.path if rule.task.roles is not None else rule.path  # a one-time link stays secret

            async def note(outcome: str, status: int, words: str = "") -> None:
                words = words or getattr(request.state, "log_words", "")
                await run_in_threadpool(note_access, web.folder, visitor, rule, path, outcome, status, words)

            if (answer := _stranger(rule, visitor)) is not None:
                await note(REFUSED, answer.status_code, "not signed in")
                return answer
            try:
                if rule.task.roles is not None and (visitor is None or visitor.role not in rule.task.roles):
                    raise Refused("not for this role")
                if web.lacks_second_step(visitor) and rule.task.name not in OPEN_WITHOUT_SECOND_STEP:
                    if rule.method != "GET":
                        raise Refused("no second step is set up")
                    await note(REFUSED, 303, "no second step is set up")
                    return Response(status_code=303, headers={"location": "/account"})
                if rule.method != "GET":
                    await _check_token(request, rule, visitor, web)
                response = await inner(request)
            except Refused as refusal:
                await note(REFUSED, 403, refusal.words)
                raise
            except HTTPException as error:
                await note(FAILED, error.status_code)
                raise
            except GraftledgerError:
                await note(FAILED, 400)
                raise
            except RequestValidationError:
                await note(FAILED, 422)
                raise
            except Exception as error:
                await note(FAILED, 500)
                return await run_in_threadpool(unexpected, request, error)
            if rule.logged or response.status_code >= 400:
                await note(GRANTED if response.status_code < 400 else FAILED, response.status_code)
            return response

        return guarded


def _stranger(rule: Rule, visitor: Visitor | None) -> Response | None:
    """What somebody who is not signed in gets of a page that asks for it."""
    if rule.task.roles is None or visitor is not None:
        return None
    if rule.method == "GET":
        return Response(status_code=303, headers={"location": "/sign-in"})
    return Response("Please sign in first.", status_code=401, media_type="text/plain")


async def _check_token(request: Request, rule: Rule, visitor: Visitor | None, web: Web) -> None:
    """Refuse what another site may have sent in the visitor's name."""
    origin, site = request.headers.get("origin"), request.headers.get("sec-fetch-site")
    if origin is not None and origin != f"{request.url.scheme}://{request.headers.get('host')}":
        raise Refused("sent from another site")
    if site is not None and site not in ("same-origin", "none"):
        raise Refused("sent from another site")
    wanted = visitor.csrf if visitor else request.cookies.get(web.form_cookie)
    given = request.headers.get(HEADER_TOKEN)
    if given is None and rule.csrf_in == "form":
        form = await request.form()
        value = form.get(FORM_TOKEN)
        given = value if isinstance(value, str) else None
    elif given is None:
        given = request.query_params.get(FORM_TOKEN)
    if not wanted or not given or not secrets.compare_digest(wanted.encode(), given.encode()):
        raise Refused("the form was too old or not sent from this page")
