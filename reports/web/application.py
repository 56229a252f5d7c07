"""The application put together: pages, gate, headers, refusals."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable, Collection, Sequence
from contextlib import asynccontextmanager
from importlib import import_module
from pathlib import Path
from typing import Any

from fastapi import FastAPI
from starlette.middleware.trustedhost import TrustedHostMiddleware

from registry.store import open_registry

from .access import Role, Rule
from .context import Web
from .guard import GuardedRoute
from .headers import SecurityHeaders
from .job_tasks import JOB_TASKS
from .jobs import Jobs
from .refusals import add_refusals
from .server import LOCAL_HOSTS
from .state import prepare_state

_PAGES = (
    "public",
    "home",
    "account",
    "jobs",
    "quarter",
    "cases",
    "actions",
    "my_outcomes",
    "records",
    "held_back",
    "visits_due",
    "consultation",
    "cohorts",
    "expectations",
    "access_log",
    "status",
)
"""Modules of `reports.web.pages`; each holds its routes in `pages`."""


def create_application(
    folder: Path,
    *,
    is_secure: bool = False,
    hosts: Sequence[str] = LOCAL_HOSTS,
    second_step_for: Collection[Role] = (),
) -> FastAPI:
    """The application over one registry folder.

    is_secure: served by TLS. hosts: names under which it may be called; another is refused, so that no foreign name
    can be pointed at this machine. second_step_for: roles that must set up a second step.
    Raises: GraftledgerError where there is no registry or the state cannot be kept.
    """
    with open_registry(folder) as registry:
        practice = registry.settings.practice
    prepare_state(folder)
    jobs = Jobs(folder, JOB_TASKS)

    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        yield
        jobs.close()

    application = FastAPI(
        title="graftledger",
        docs_url=None,
        redoc_url=None,
        openapi_url=None,
        redirect_slashes=False,
        lifespan=lifespan,
    )
    application.router.route_class = GuardedRoute
    application.state.web, application.state.jobs = Web(folder, practice, is_secure, frozenset(second_step_for)), jobs
    for rule, endpoint in all_endpoints():
        application.router.add_api_route(
            rule.path,
            endpoint,
            methods=[rule.method],
            response_model=None,
            max_body_size=rule.largest_body,
            summary=rule.what,
        )
    add_refusals(application)
    application.add_middleware(TrustedHostMiddleware, allowed_hosts=list(hosts), www_redirect=False)
    application.add_middleware(SecurityHeaders, is_secure=is_secure)
    return application


def all_endpoints() -> list[tuple[Rule, Callable[..., Any]]]:
    """Every route there is: what the gate holds, and the function behind it."""
    modules = [import_module(f"reports.web.pages.{name}") for name in _PAGES]
    return [endpoint for module in modules for endpoint in module.pages.endpoints]
