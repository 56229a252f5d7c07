"""Work in the background, as the account that asked for it sees it: how far it is, and a way to stop it."""

from __future__ import annotations

from fastapi import Request, Response
from starlette.exceptions import HTTPException

from ..access import Pages, Refused, Visitor
from ..context import JobsGiven, VisitorGiven, go_to, show
from ..jobs import Job, Jobs

pages = Pages()


@pages.get("/jobs/{job_id}", task="jobs", what="Progress of a job", logged=False)
def job_page(request: Request, jobs: JobsGiven, visitor: VisitorGiven, job_id: str) -> Response:
    """How far it is. Once it has ended, the browser goes on to the page that asked for it."""
    job = own_job(jobs, visitor, job_id)
    if "hx-request" not in request.headers:
        return show(request, "job.html", job=job) if job.is_live else go_to(request, page_of(job))
    if job.is_live:
        return show(request, "job_part.html", job=job)
    return Response(headers={"hx-redirect": page_of(job)})


@pages.post("/jobs/{job_id}/cancel", task="jobs", what="Stopping a job")
def cancel(request: Request, jobs: JobsGiven, visitor: VisitorGiven, job_id: str) -> Response:
    """Stop it; what it had begun is taken away."""
    job = own_job(jobs, visitor, job_id)
    jobs.cancel(job.id)
    return go_to(request, page_of(job), "It was stopped.")


def page_of(job: Job) -> str:
    """The page that asked for it: every request says so under `page`, where `{job}` stands for the id."""
    return str(job.request["page"]).replace("{job}", job.id)


def own_job(jobs: Jobs, visitor: Visitor, job_id: str) -> Job:
    """A job of the account that asks. Raises: HTTPException where there is none, Refused where it is another's."""
    job = jobs.find(job_id)
    if job is None:
        raise HTTPException(404)
    if job.owner != visitor.account_id:
        raise Refused("another account's job")
    return job
