"""What every page needs: where the registry is, who asks, and how a page is laid out."""

from __future__ import annotations

import secrets
from collections.abc import Callable, Hashable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Annotated, Any, TypeVar

import jinja2
from fastapi import Depends, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from registry.store import Registry, open_registry

from .. import wording
from .access import TASKS, Role, Visitor
from .jobs import Jobs
from .memory import Memory
from .sessions import tell, told
from .state import PAGES_FOLDER
from .static_files import static_address

T = TypeVar("T")


@dataclass(frozen=True)
class Web:
    """The application's setting.

    is_secure: served by TLS, so that cookies travel by nothing else. second_step_for: roles that must have set up a
    second step before they see more than their own account.
    """

    folder: Path
    practice: str
    is_secure: bool = False
    second_step_for: frozenset[Role] = frozenset()
    memory: Memory = field(default_factory=Memory, compare=False, repr=False)

    def lacks_second_step(self, visitor: Visitor | None) -> bool:
        """Whether the visitor must set up a second step first."""
        return visitor is not None and visitor.role in self.second_step_for and not visitor.has_second_step

    @property
    def pages_folder(self) -> Path:
        """Where prepared pages and downloads are kept."""
        return self.folder / PAGES_FOLDER

    @property
    def session_cookie(self) -> str:
        """Name of the cookie of a session."""
        return "__Host-graftledger" if self.is_secure else "graftledger"

    @property
    def form_cookie(self) -> str:
        """Name of the cookie that forms before signing in are held against."""
        return "__Host-graftledger-form" if self.is_secure else "graftledger-form"


def _web(request: Request) -> Web:
    web: Web = request.app.state.web
    return web


def _jobs(request: Request) -> Jobs:
    jobs: Jobs = request.app.state.jobs
    return jobs


def _visitor(request: Request) -> Visitor:
    visitor: Visitor | None = request.state.visitor
    assert visitor is not None, "only a route open to nobody but accounts asks for its visitor"
    return visitor


WebGiven = Annotated[Web, Depends(_web)]
"""Type of a parameter that takes the application's setting."""
JobsGiven = Annotated[Jobs, Depends(_jobs)]
"""Type of a parameter that takes the jobs of this server."""
VisitorGiven = Annotated[Visitor, Depends(_visitor)]
"""Type of a parameter that takes who asks."""


@contextmanager
def reading(web: Web) -> Iterator[Registry]:
    """The registry as it is now, for the length of a `with` block. Raises: GraftledgerError, as `open_registry`."""
    from pipelines.measures import MEASURE_LABELS

    with open_registry(web.folder, known_measures=list(MEASURE_LABELS)) as registry:
        yield registry


def remembered(web: Web, key: Hashable, make: Callable[[Registry], T]) -> T:
    """What a function makes of the registry as it is now; made once until the registry changes.

    key: of all that the function takes beside the registry; what another function makes has keys of its own. The value
    is shared between requests.
    """

    def made() -> T:
        with reading(web) as registry:
            return make(registry)

    return web.memory.get(web.folder, (getattr(make, "__code__", make), key), made)


def show(request: Request, template: str, *, status: int = 200, **values: Any) -> HTMLResponse:
    """A page. The template finds `visitor`, `menu`, `csrf`, `nonce`, `practice` and `said` beside the values given.

    status: of the answer; 400 for a form that is shown again with what is wrong.
    """
    web, visitor = _web(request), getattr(request.state, "visitor", None)
    text = (
        environment()
        .get_template(template)
        .render(
            {
                "practice": web.practice,
                "visitor": visitor,
                "menu": [one for one in TASKS if one.label and visitor and one.roles and visitor.role in one.roles],
                "here": request.url.path,
                "csrf": visitor.csrf if visitor else form_token(request, web),
                "nonce": request.state.nonce,
                "said": told(web.folder, visitor) if visitor else None,
                **values,
            }
        )
    )
    response = HTMLResponse(text, status_code=status)
    if visitor is None:
        set_cookie(response, web, web.form_cookie, form_token(request, web))
    return response


def form_token(request: Request, web: Web) -> str:
    """What a form sends back that is filled in before signing in."""
    known = request.cookies.get(web.form_cookie) or getattr(request.state, "form_token", None)
    request.state.form_token = known or secrets.token_urlsafe(32)
    token: str = request.state.form_token
    return token


def set_cookie(response: Response, web: Web, name: str, value: str) -> None:
    """A cookie that scripts cannot read, that no other site sends along, and that ends with the browser."""
    response.set_cookie(name, value, httponly=True, samesite="strict", secure=web.is_secure, path="/")


def go_to(request: Request, path: str, words: str | None = None) -> RedirectResponse:
    """Send the browser on after something was done, with words for the next page."""
    visitor = getattr(request.state, "visitor", None)
    if words and visitor:
        tell(_web(request).folder, visitor, words)
    return RedirectResponse(path, status_code=303)


@cache
def environment() -> jinja2.Environment:
    """The templates: what is filled in is escaped, and a value that is missing is an error."""
    found = jinja2.Environment(
        loader=jinja2.PackageLoader("reports.web"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    found.globals["static"] = static_address
    found.filters["percent"] = wording.percent
    found.filters["whole"] = wording.whole
    found.filters["date_words"] = wording.date_words
    found.filters["moment"] = moment_words
    found.filters["clock"] = clock_words
    return found


def moment_words(stamp: str) -> str:
    """A moment as pages write it.

    >>> moment_words("2026-01-31T12:00:00+00:00")
    '2026-01-31 12:00 UTC'
    """
    return f"{stamp[:10]} {stamp[11:16]} UTC"


def clock_words(seconds: float) -> str:
    """A moment that is kept as seconds since 1970.

    >>> clock_words(1769860800.0)
    '2026-01-31 12:00'
    """
    return f"{datetime.fromtimestamp(seconds, UTC):%Y-%m-%d %H:%M}"
