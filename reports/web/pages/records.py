"""Records: files sent by a site, the mapping that reads them, and taking them in."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fastapi import Request, Response
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException

from registry.errors import Fault, GraftledgerError
from registry.store import Registry

from ..access import Pages, Visitor
from ..context import JobsGiven, VisitorGiven, Web, WebGiven, go_to, remembered, show
from ..deliveries import delivery_files, forget_delivery, is_kept, new_delivery
from ..embedding import embedded, show_report
from ..forms import AnswersGiven, first
from ..job_tasks import INTAKE, LOOK
from ..jobs import Job, Jobs, Status
from ..records_jobs import CORRECTIONS, MAPPED
from ..uploads import MOST_BYTES, receive
from .held_back import held_by_site

if TYPE_CHECKING:
    from pipelines.registry_status import RegistryStatus

pages = Pages()
_BODY_BYTES = MOST_BYTES + 1_000_000
_EVENTS = 8
UNDECIDED = "undecided"


@pages.get("/records", task="records", what="Records")
def records(request: Request, web: WebGiven, jobs: JobsGiven) -> Response:
    """What waits, what is held back, what came in last, and a form to send files."""
    return _start(request, web, jobs)


def _start(request: Request, web: Web, jobs: Jobs, *faults: Fault) -> Response:
    status, held, sites = remembered(web, "records", _present)
    return show(
        request,
        "records.html",
        status=400 if faults else 200,
        faults=faults,
        sites=sites,
        held=held,
        events=status.last_events[:_EVENTS],
        reports={job.result["intake_id"]: job.id for job in jobs.listed(kind=INTAKE) if job.status is Status.DONE},
        waiting=_waiting(web, jobs),
        most=MOST_BYTES // 2**20,
    )


def _present(registry: Registry) -> tuple[RegistryStatus, list[tuple[str, int, int]], tuple[str, ...]]:
    from pipelines.registry_status import registry_status

    return registry_status(registry), held_by_site(registry), registry.settings.sites


def _waiting(web: Web, jobs: Jobs) -> list[Job]:
    """The last look at each delivery that was neither taken in nor taken away."""
    last: dict[str, Job] = {}
    for job in jobs.listed(kind=LOOK):
        last.setdefault(job.request["delivery"], job)
    return [job for delivery, job in last.items() if is_kept(web.folder, delivery)]


@pages.post("/records", task="records", what="Sending files", csrf_in="address", largest_body=_BODY_BYTES)
async def send(request: Request, web: WebGiven, jobs: JobsGiven, visitor: VisitorGiven) -> Response:
    """Keep the files that were sent and have a job look at them."""
    delivery, folder = await run_in_threadpool(new_delivery, web.folder)
    try:
        received = await receive(request.stream(), request.headers.get("content-type", ""), folder)
    except GraftledgerError as refusal:
        return await run_in_threadpool(_start, request, web, jobs, *refusal.faults)
    return await run_in_threadpool(_begin, request, web, jobs, visitor, delivery, received.fields.get("site", ""))


def _begin(request: Request, web: Web, jobs: Jobs, visitor: Visitor, delivery: str, site: str) -> Response:
    if site not in remembered(web, "records", _present)[2]:
        forget_delivery(web.folder, delivery)
        return _start(request, web, jobs, Fault("say which site sends them.", field="site"))
    names = [path.name for path in delivery_files(web.folder, delivery)]
    asked = {"delivery": delivery, "site": site, "files": names, "text": None, "anew": False, "chosen": None}
    return _look(request, jobs, visitor, asked)


def _look(request: Request, jobs: Jobs, visitor: Visitor, asked: dict[str, Any]) -> Response:
    page = f"/records/deliveries/{asked['delivery']}"
    jobs.start(LOOK, {**asked, "page": page}, visitor.account_id)
    return go_to(request, page)


@pages.get("/records/deliveries/{delivery}", task="records", what="A delivery and its mapping")
def delivery_page(request: Request, jobs: JobsGiven, visitor: VisitorGiven, delivery: str) -> Response:
    """What was sent, how it would be read and what is open in that; then how its intake went."""
    look, intake = _jobs_of(jobs, delivery)
    return show(
        request,
        "delivery.html",
        look=look,
        intake=intake,
        done=_last_done(jobs, delivery),
        is_mine=lambda job: job.owner == visitor.account_id,
        mapped=MAPPED,
        corrections=CORRECTIONS,
    )


def _jobs_of(jobs: Jobs, delivery: str) -> tuple[Job, Job | None]:
    look = next((job for job in jobs.listed(kind=LOOK) if job.request["delivery"] == delivery), None)
    intake = next((job for job in jobs.listed(kind=INTAKE) if job.request["delivery"] == delivery), None)
    if look is None:
        raise HTTPException(404)
    return look, intake


def _last_done(jobs: Jobs, delivery: str) -> Job | None:
    return next(
        (job for job in jobs.listed(kind=LOOK) if job.request["delivery"] == delivery and job.status is Status.DONE),
        None,
    )


@pages.post("/records/deliveries/{delivery}/mapping", task="records", what="Deciding a mapping")
def decide(request: Request, jobs: JobsGiven, visitor: VisitorGiven, answers: AnswersGiven, delivery: str) -> Response:
    """Look again, with the choices made, with the text as it was changed, or with a new proposal."""
    done = _last_done(jobs, delivery)
    if done is None:
        raise HTTPException(404)
    asked = {name: done.request[name] for name in ("delivery", "site", "files")}
    if first(answers, "anew"):
        return _look(request, jobs, visitor, {**asked, "text": None, "anew": True, "chosen": None})
    if "text" in answers:
        text = answers["text"][0].replace("\r\n", "\n")
        return _look(request, jobs, visitor, {**asked, "text": text, "anew": False, "chosen": None})
    chosen = {
        name: values[0] for name, values in answers.items() if name.startswith(("c-", "q-")) and values[0] != UNDECIDED
    }
    return _look(request, jobs, visitor, {**asked, "text": done.result.get("text"), "anew": False, "chosen": chosen})


@pages.post("/records/deliveries/{delivery}/intake", task="records", what="Taking a delivery in")
def take(request: Request, jobs: JobsGiven, visitor: VisitorGiven, answers: AnswersGiven, delivery: str) -> Response:
    """Begin the intake, with the mapping as it was looked at last."""
    look, intake = _jobs_of(jobs, delivery)
    page = f"/records/deliveries/{delivery}"
    if intake is not None and (intake.is_live or intake.status is Status.DONE):
        return go_to(request, page, "This delivery is being taken in already.")
    if look.status is not Status.DONE or look.result["faults"]:
        raise GraftledgerError(Fault("the mapping is not decided yet.", mend="Decide what is open, then take it in."))
    asked = {
        "page": page,
        "delivery": delivery,
        "site": look.request["site"],
        "kind": look.result["kind"],
        "text": look.result.get("text"),
        "refile": first(answers, "refile") == "yes",
        "received_by": visitor.name,
    }
    jobs.start(INTAKE, asked, visitor.account_id)
    return go_to(request, page)


@pages.post("/records/deliveries/{delivery}/forget", task="records", what="Taking a delivery away")
def forget(request: Request, web: WebGiven, jobs: JobsGiven, delivery: str) -> Response:
    """Take the files away; nothing of them was loaded."""
    _, intake = _jobs_of(jobs, delivery)
    if intake is not None and intake.is_live:
        raise GraftledgerError("It is being taken in just now. Stop that first.")
    forget_delivery(web.folder, delivery)
    return go_to(request, "/records", "The files were taken away. Nothing of them was loaded.")


@pages.get("/records/intakes/{job_id}", task="records", what="Report of an intake")
def intake_report(request: Request, jobs: JobsGiven, job_id: str) -> Response:
    """The page that the command makes of an intake."""
    job = jobs.find(job_id)
    if job is None or job.kind != INTAKE or job.status is not Status.DONE:
        raise HTTPException(404)
    page = (jobs.folder(job_id) / job.result["page"]).read_text(encoding="utf-8")
    return show_report(request, "intake_report.html", embedded(page))
