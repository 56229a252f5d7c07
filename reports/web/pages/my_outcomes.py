"""My outcomes: a surgeon's own page beside blinded peers. The code comes from the account, never from the address."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Annotated

from fastapi import Form, Query, Request, Response
from fastapi.responses import FileResponse
from starlette.exceptions import HTTPException

from registry.errors import GraftledgerError
from registry.store import Registry

from ...audit import Quarter, parse_quarter
from ...benchmark import FIGURES_FILE, PAGE_FILE, PDF_FILE
from ..access import Pages, Visitor
from ..audits import changes, quarters_to_choose, usable
from ..context import JobsGiven, VisitorGiven, Web, WebGiven, go_to, remembered, show
from ..embedding import embedded, show_report
from ..job_tasks import BENCHMARK
from ..jobs import Job, Jobs
from ..report_jobs import ground

pages = Pages()
_MEDIA = {PDF_FILE: "application/pdf", FIGURES_FILE: "application/json"}


@dataclass(frozen=True)
class _State:
    """The own page of a quarter. made: the job that prepared it. changed: what differs since. latest: the last job."""

    quarter: Quarter
    quarters: list[Quarter]
    made: Job | None
    changed: tuple[str, ...]
    latest: Job | None
    folder: Path | None


def _state(web: Web, jobs: Jobs, visitor: Visitor, quarter: str) -> _State:
    code = _code(visitor)
    now = remembered(web, "what reports rest on", ground)
    quarters = quarters_to_choose(*remembered(web, ("days of a surgeon", code), lambda registry: _days(registry, code)))
    chosen = parse_quarter(quarter) if quarter else quarters[0]
    own = [
        job
        for job in jobs.listed(kind=BENCHMARK, owner=visitor.account_id)
        if job.request["surgeon"] == code and job.request["quarter"] == str(chosen)
    ]
    made = usable(own, now)
    changed = changes(made, now) if made else ()
    return _State(chosen, quarters, made, changed, next(iter(own), None), jobs.folder(made.id) if made else None)


def _days(registry: Registry, code: str) -> tuple[date | None, date | None]:
    """Up to when records are complete, and the first session of that surgeon."""
    query = "select min(performed_on) from session where surgeon_code = ?"
    return registry.data_date, registry.connection.execute(query, [code]).fetchall()[0][0]


def _code(visitor: Visitor) -> str:
    assert visitor.surgeon_code is not None, "an account of role surgeon is bound to a code"
    return visitor.surgeon_code


@pages.get("/my-outcomes", task="my-outcomes", what="Own outcomes")
def own_page(
    request: Request,
    web: WebGiven,
    jobs: JobsGiven,
    visitor: VisitorGiven,
    quarter: Annotated[str, Query(max_length=20)] = "",
) -> Response:
    """The page where it was prepared; else how to prepare it."""
    state = _state(web, jobs, visitor, quarter)
    if state.folder is None or (state.latest and state.latest.is_live):
        return show(request, "my_outcomes.html", state=state, code=visitor.surgeon_code)
    report = embedded((state.folder / PAGE_FILE).read_text(encoding="utf-8"))
    return show_report(request, "my_outcomes_page.html", report, state=state)


@pages.post("/my-outcomes/prepare", task="my-outcomes", what="Preparing own outcomes")
def prepare(
    request: Request,
    web: WebGiven,
    jobs: JobsGiven,
    visitor: VisitorGiven,
    quarter: Annotated[str, Form(max_length=20)] = "",
) -> Response:
    """Make it anew in the background."""
    state = _state(web, jobs, visitor, quarter)
    page = f"/my-outcomes?quarter={state.quarter}"
    if not (state.latest and state.latest.is_live):
        asked = {"surgeon": _code(visitor), "quarter": str(state.quarter), "page": page}
        jobs.start(BENCHMARK, asked, visitor.account_id)
    return go_to(request, page)


@pages.get("/my-outcomes/{quarter}/files/{name}", task="my-outcomes", what="Taking a file of own outcomes")
def file(web: WebGiven, jobs: JobsGiven, visitor: VisitorGiven, quarter: str, name: str) -> Response:
    """PDF or figures, as a download."""
    state = _state(web, jobs, visitor, quarter)
    if name not in _MEDIA or state.folder is None:
        raise HTTPException(404)
    path = state.folder / name
    if not path.is_file():
        raise GraftledgerError("The file is gone. Prepare the page again.")
    stem, _, ending = name.rpartition(".")
    return FileResponse(
        path, media_type=_MEDIA[name], filename=f"{stem}-{visitor.surgeon_code}-{state.quarter}.{ending}"
    )
