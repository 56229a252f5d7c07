"""Access log: who looked at, took or changed what, and who was refused."""

from __future__ import annotations

from datetime import date
from typing import Annotated

from fastapi import Query, Request, Response

from ..access import Pages
from ..access_log import FAILED, GRANTED, REFUSED, access_csv, accesses
from ..accounts import accounts
from ..context import WebGiven, show

pages = Pages()
MOST_SHOWN = 300
_OUTCOMES = (GRANTED, REFUSED, FAILED)
Short = Annotated[str, Query(max_length=40)]


@pages.get("/access-log", task="access-log", what="Log of access")
def log_page(
    request: Request,
    web: WebGiven,
    account: Short = "",
    outcome: Short = "",
    first_on: Short = "",
    last_on: Short = "",
) -> Response:
    """The newest lines, by account, outcome and day."""
    chosen = {"account": account, "outcome": outcome, "first_on": _day(first_on), "last_on": _day(last_on)}
    lines = accesses(web.folder, **chosen, most=MOST_SHOWN + 1)
    return show(
        request,
        "access_log.html",
        lines=lines[:MOST_SHOWN],
        more=len(lines) > MOST_SHOWN,
        chosen=chosen,
        names=[one.name for one in accounts(web.folder)],
        outcomes=_OUTCOMES,
    )


@pages.get("/access-log/csv", task="access-log", what="Taking the log of access")
def log_csv(
    web: WebGiven, account: Short = "", outcome: Short = "", first_on: Short = "", last_on: Short = ""
) -> Response:
    """The lines chosen, all of them, as CSV."""
    lines = accesses(web.folder, account=account, outcome=outcome, first_on=_day(first_on), last_on=_day(last_on))
    return Response(
        access_csv(lines),
        media_type="text/csv",
        headers={"content-disposition": f'attachment; filename="access-log-{date.today()}.csv"'},
    )


def _day(text: str) -> str:
    """A day as the log writes it; empty where it is none."""
    try:
        return date.fromisoformat(text.strip()).isoformat()
    except ValueError:
        return ""
