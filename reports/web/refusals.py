"""What a person sees when something does not work: plain words, never the inside of the program."""

from __future__ import annotations

import logging
import secrets
import traceback
from http import HTTPStatus

from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException

from registry.errors import Fault, GraftledgerError

from .access import Refused
from .context import show

_log = logging.getLogger("graftledger.web")
_WORDS = {
    404: ("There is no such page", "The address may be mistyped, or what stood here is gone."),
    405: ("This page is not used that way", "Go back and use its buttons."),
    413: ("That is too large", "What was sent is larger than this page takes."),
}


def add_refusals(application: FastAPI) -> None:
    """Have the application answer each kind of failure by a page."""
    application.add_exception_handler(GraftledgerError, _refusal)
    application.add_exception_handler(Refused, _refused)
    application.add_exception_handler(HTTPException, _http)
    application.add_exception_handler(RequestValidationError, _not_understood)


def _page(request: Request, status: int, heading: str, faults: list[Fault]) -> Response:
    return show(request, "error.html", status=status, heading=heading, faults=faults)


def _refusal(request: Request, error: Exception) -> Response:
    assert isinstance(error, GraftledgerError)
    return _page(request, 400, "That did not work", list(error.faults))


def _refused(request: Request, error: Exception) -> Response:
    assert isinstance(error, Refused)
    return _page(
        request,
        403,
        "This was refused",
        [
            Fault(
                f"{error.words[:1].upper()}{error.words[1:]}.",
                mend="It was written down in the log of access, as all visits are.",
            )
        ],
    )


def _http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    heading, words = _WORDS.get(error.status_code, (HTTPStatus(error.status_code).phrase, "Go back and try again."))
    return _page(request, error.status_code, heading, [Fault(words)])


def _not_understood(request: Request, error: Exception) -> Response:
    """A field that is missing or of the wrong kind. Its value is never repeated."""
    assert isinstance(error, RequestValidationError)
    faults = [
        Fault(f"{each['msg'][:1].lower()}{each['msg'][1:]}.", field=str(each["loc"][-1])) for each in error.errors()
    ]
    return _page(request, 422, "The form could not be read", faults)


def unexpected(request: Request, error: Exception) -> Response:
    """A fault of the program. The terminal gets the place in the program, not the values that led there."""
    number = secrets.token_hex(4)
    where = "".join(traceback.format_tb(error.__traceback__)[-6:])
    _log.error("Fault %s: %s\n%s", number, type(error).__name__, where)
    return _page(
        request,
        500,
        "Something is broken",
        [Fault("This is a fault of the program, not yours.", mend=f"Report it with the number {number}.")],
    )
