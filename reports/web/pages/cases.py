"""From the figures of a quarter to the keys of the cases behind them."""

from __future__ import annotations

from typing import Annotated

from fastapi import Query, Request, Response

from pipelines.cases_behind import EVENT, NO_EVENT, SERIOUS, CasesBehind, cases_behind, figures_with_cases
from pipelines.spreadsheet_cells import guarded

from ... import wording
from ...audit import parse_quarter
from ...labels import value_label
from ..access import Pages
from ..context import Web, WebGiven, remembered, show

pages = Pages()
MOST_SHOWN = 200
_SHOWN = {"event": "in whom it happened", "unknown": "of whom it cannot be told", "all": "all"}


@pages.get("/quarter/{quarter}/cases", task="quarter", what="Figures whose cases can be looked up")
def figures(request: Request, quarter: str) -> Response:
    """The figures whose cases can be asked for."""
    return show(request, "cases.html", quarter=parse_quarter(quarter), figures=figures_with_cases(), serious=SERIOUS)


@pages.get("/quarter/{quarter}/cases/{name}", task="quarter", what="Keys of cases behind a figure")
def keys(
    request: Request,
    web: WebGiven,
    quarter: str,
    name: str,
    shown: Annotated[str, Query(max_length=20)] = "event",
) -> Response:
    """The keys, those with the event first."""
    found = _found(web, quarter, name)
    chosen = found.frame
    if name != SERIOUS and shown == "event":
        chosen = chosen.filter(chosen["state"] == EVENT)
    elif name != SERIOUS and shown == "unknown":
        chosen = chosen.filter(~chosen["state"].is_in([EVENT, NO_EVENT]))
    rows = [{**row, "state": state_words(name, row["state"])} for row in chosen.head(MOST_SHOWN).to_dicts()]
    return show(
        request,
        "case_keys.html",
        quarter=parse_quarter(quarter),
        found=found,
        rows=rows,
        more=len(chosen) - len(rows),
        shown=shown,
        choices={} if name == SERIOUS else _SHOWN,
        counts={"event": found.count(EVENT), "no_event": found.count(NO_EVENT), "all": len(found.frame)},
        is_serious=name == SERIOUS,
    )


@pages.get("/quarter/{quarter}/cases/{name}/csv", task="quarter", what="Taking keys of cases behind a figure")
def csv(web: WebGiven, quarter: str, name: str) -> Response:
    """All of them as CSV."""
    found = _found(web, quarter, name)
    text = guarded(found.frame.with_columns(performed_on=found.frame["performed_on"].cast(str))).write_csv()
    file_name = f"cases-{parse_quarter(quarter)}-{found.name}.csv"
    return Response(text, media_type="text/csv", headers={"content-disposition": f'attachment; filename="{file_name}"'})


def _found(web: Web, quarter: str, name: str) -> CasesBehind:
    chosen = parse_quarter(quarter)
    return remembered(web, ("cases", name, chosen), lambda registry: cases_behind(registry, name, chosen.span))


def state_words(name: str, state: str) -> str:
    """What became of a case.

    >>> state_words("infection", "event"), state_words("infection", "not_due")
    ('happened', 'not due yet')
    """
    if name == SERIOUS:
        return value_label("kind", state)
    return {EVENT: "happened", NO_EVENT: "did not happen"}.get(state) or wording.reason_words(state)
