"""What was agreed after looking at the figures: add and close, beside the audit of a quarter."""

from __future__ import annotations

from datetime import date
from typing import Annotated

from fastapi import Form, Request, Response

from registry.errors import Fault, GraftledgerError
from registry.store import open_registry

from ...audit import parse_quarter
from ..access import Pages
from ..context import VisitorGiven, Web, WebGiven, go_to, remembered, show

pages = Pages()


@pages.get("/quarter/{quarter}/actions", task="quarter", what="Agreed actions")
def actions_page(request: Request, web: WebGiven, quarter: str) -> Response:
    """Open and closed actions, and a form for a new one."""
    return _show(request, web, quarter)


def _show(request: Request, web: Web, quarter: str, *faults: Fault, **typed: str) -> Response:
    from pipelines.agreed_actions import OUTCOMES, agreed_actions

    chosen = parse_quarter(quarter)
    known = remembered(web, "actions", agreed_actions)
    today = date.today()
    return show(
        request,
        "actions.html",
        status=400 if faults else 200,
        quarter=chosen,
        open_actions=sorted((one for one in known if one.is_open(today)), key=lambda one: (one.due_on, one.action_id)),
        closed=[one for one in reversed(known) if one.closed_on is not None],
        outcomes=OUTCOMES,
        today=today,
        faults=faults,
        typed={"words": "", "owner": "", "about": "", "due": "", **typed},
    )


@pages.post("/quarter/{quarter}/actions", task="quarter", what="Writing an agreed action down")
def add(
    request: Request,
    web: WebGiven,
    visitor: VisitorGiven,
    quarter: str,
    words: Annotated[str, Form(max_length=2000)] = "",
    owner: Annotated[str, Form(max_length=200)] = "",
    due: Annotated[str, Form(max_length=20)] = "",
    about: Annotated[str, Form(max_length=200)] = "",
) -> Response:
    """Add one. It stands in every audit until it is closed."""
    from pipelines.agreed_actions import add_action

    try:
        due_on = _day(due, "due")
        with open_registry(web.folder, read_only=False) as registry:
            action = add_action(
                registry,
                words=words,
                owner=owner,
                due_on=due_on,
                agreed_on=date.today(),
                about=about,
                recorded_by=visitor.name,
            )
    except GraftledgerError as refusal:
        return _show(request, web, quarter, *refusal.faults, words=words, owner=owner, about=about, due=due)
    path = f"/quarter/{parse_quarter(quarter)}/actions"
    return go_to(request, path, f"Action {action.action_id}, due on {action.due_on}, is written down.")


@pages.post("/quarter/{quarter}/actions/{number}/close", task="quarter", what="Closing an agreed action")
def close(
    request: Request,
    web: WebGiven,
    visitor: VisitorGiven,
    quarter: str,
    number: int,
    outcome: Annotated[str, Form(max_length=40)] = "done",
) -> Response:
    """Close one. What was agreed stays written down."""
    from pipelines.agreed_actions import OUTCOMES, close_action

    try:
        with open_registry(web.folder, read_only=False) as registry:
            action = close_action(registry, number, outcome=outcome, closed_on=date.today(), recorded_by=visitor.name)
    except GraftledgerError as refusal:
        return _show(request, web, quarter, *refusal.faults)
    path = f"/quarter/{parse_quarter(quarter)}/actions"
    return go_to(request, path, f"Action {action.action_id} is closed: {OUTCOMES[outcome]}.")


def _day(text: str, field: str) -> date:
    try:
        return date.fromisoformat(text.strip())
    except ValueError:
        raise GraftledgerError(Fault("write the day as year-month-day, such as 2026-12-31.", field=field)) from None
