"""Rows held back: why, the workbook to mend them in, judging them again, and setting aside what is no record."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from fastapi import Request, Response
from starlette.exceptions import HTTPException

from registry.errors import Fault
from registry.store import Registry

from ..access import Pages, Visitor
from ..context import JobsGiven, VisitorGiven, Web, WebGiven, go_to, reading, remembered, show
from ..downloads import sent
from ..forms import AnswersGiven, first, is_whole_number
from ..held_back_jobs import JUDGE_AGAIN, SET_ASIDE
from ..job_tasks import HELD_BACK
from ..jobs import Jobs
from .jobs import own_job

pages = Pages()
_ENTRIES, _REASONS = 100, 12
XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


def held_by_site(registry: Registry) -> list[tuple[str, int, int]]:
    """Site, rows that are open, rows that wait for another record; `none` for those of no known site."""
    return registry.connection.execute(
        "select coalesce(site_code, 'none'), count(*) filter (status = 'open'), count(*) filter (status = 'waiting') "
        "from held_back_row where closed_as is null group by 1 order by 1"
    ).fetchall()


@pages.get("/records/held-back", task="records", what="Rows held back")
def held_back(request: Request, web: WebGiven, site: str = "") -> Response:
    """Each row held back with its place and reasons; its values stand in the workbook alone."""
    return _page(request, web, site)


def _page(request: Request, web: Web, site: str, *faults: Fault) -> Response:
    from pipelines.held_back import DISMISSAL_REASONS

    found = remembered(web, ("held back", site), lambda registry: _held(registry, site))
    return show(
        request,
        "held_back.html",
        status=400 if faults else 200,
        faults=faults,
        dismissal_reasons=DISMISSAL_REASONS,
        **found,
    )


def _held(registry: Registry, site: str) -> dict[str, Any]:
    """What the page takes: the first rows, and how often each reason occurs in all."""
    from pipelines.held_back import entries

    known = held_by_site(registry)
    found = entries(registry, site=site or None, unsettled=True) if known else ()
    reasons = Counter(
        (entry.record, reason.field, reason.reason, reason.mend) for entry in found for reason in entry.reasons
    )
    return {
        "site": site,
        "held": known,
        "found": found[:_ENTRIES],
        "count": len(found),
        "reasons": reasons.most_common(_REASONS),
        "reason_count": len(reasons),
    }


@pages.get("/records/held-back/{site}/workbook", task="records", what="Workbook of rows held back")
def workbook(web: WebGiven, site: str) -> Response:
    """The workbook in which a site mends its rows."""
    from pipelines.held_back import export_workbooks

    with TemporaryDirectory(dir=web.pages_folder) as folder, reading(web) as registry:
        (written,) = export_workbooks(registry, Path(folder), site=site)
        return sent(written.path.read_bytes(), written.path.name, XLSX)


@pages.post("/records/held-back/set-aside", task="records", what="Setting rows held back aside")
def set_aside(
    request: Request, web: WebGiven, jobs: JobsGiven, visitor: VisitorGiven, answers: AnswersGiven
) -> Response:
    """Close the chosen entries without taking their rows in."""
    chosen = answers.get("entry", ())
    if not chosen:
        fault = Fault("No row was chosen.", mend="Tick those that are to be set aside.")
        return _page(request, web, first(answers, "site"), fault)
    if not all(map(is_whole_number, chosen)):
        fault = Fault("A row was named by something else than its number; nothing was set aside.", mend="Tick again.")
        return _page(request, web, first(answers, "site"), fault)
    asked = {"act": SET_ASIDE, "entries": [int(number) for number in chosen], "reason": first(answers, "reason")}
    return _begin(request, jobs, visitor, asked)


@pages.post("/records/held-back/judge-again", task="records", what="Judging rows held back again")
def judge_again(request: Request, jobs: JobsGiven, visitor: VisitorGiven) -> Response:
    """Judge all open and waiting rows again, after the settings gained a site for example."""
    return _begin(request, jobs, visitor, {"act": JUDGE_AGAIN})


def _begin(request: Request, jobs: Jobs, visitor: Visitor, asked: dict[str, Any]) -> Response:
    page = "/records/held-back/done/{job}"
    job_id = jobs.start(HELD_BACK, {**asked, "page": page, "received_by": visitor.name}, visitor.account_id)
    return go_to(request, page.replace("{job}", job_id))


@pages.get("/records/held-back/done/{job_id}", task="records", what="What became of rows held back")
def done(request: Request, jobs: JobsGiven, visitor: VisitorGiven, job_id: str) -> Response:
    """How far it is, and then what became of the rows."""
    job = own_job(jobs, visitor, job_id)
    if job.kind != HELD_BACK:
        raise HTTPException(404)
    return show(request, "held_back_done.html", job=job, set_aside=job.request["act"] == SET_ASIDE)
