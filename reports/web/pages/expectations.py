"""Expectations: what patients are told, held against what happened."""

from __future__ import annotations

from hashlib import sha256
from typing import Any

from fastapi import Request, Response

from ..access import Pages
from ..context import JobsGiven, VisitorGiven, Web, WebGiven, go_to, remembered, show
from ..job_tasks import EXPECTATIONS
from ..jobs import Job, Jobs, Status

pages = Pages()
PAGE = "/expectations"


@pages.get(PAGE, task="expectations", what="Expectations")
def expectations(request: Request, web: WebGiven, jobs: JobsGiven, visitor: VisitorGiven) -> Response:
    """The judgements on the records as they are now; or, where they were not made yet, a way to make them."""
    rests_on = _ground(web)
    known = jobs.listed(kind=EXPECTATIONS)
    done = next((job for job in known if job.status is Status.DONE), None)
    own = next((job for job in known if job.owner == visitor.account_id), None)
    return show(
        request,
        "expectations.html",
        done=done,
        is_of_now=done is not None and done.request["rests_on"] == rests_on,
        own=own if own and (own.is_live or _is_later(own, done)) else None,
    )


def _is_later(job: Job, done: Job | None) -> bool:
    return job.status is not Status.DONE and (done is None or job.asked_at > done.asked_at)


@pages.post(PAGE, task="expectations", what="Holding expectations against the records")
def hold(request: Request, web: WebGiven, jobs: JobsGiven, visitor: VisitorGiven) -> Response:
    """Begin, unless the same is under way."""
    rests_on = _ground(web)
    if not _is_under_way(jobs, visitor.account_id):
        jobs.start(EXPECTATIONS, {"page": PAGE, "rests_on": rests_on}, visitor.account_id)
    return go_to(request, PAGE)


def _is_under_way(jobs: Jobs, owner: int) -> bool:
    return any(job.is_live for job in jobs.listed(owner, EXPECTATIONS))


def _ground(web: Web) -> dict[str, Any]:
    """What the judgements rest on: records, settings, statements."""
    from pipelines.expectations import FILE

    own = web.folder / FILE
    snapshot, settings = remembered(web, "ground", lambda registry: (registry.snapshot, registry.settings.digest))
    statements = sha256(own.read_bytes()).hexdigest() if own.exists() else "the starter list"
    return {"snapshot": snapshot, "settings": settings, "statements": statements}
