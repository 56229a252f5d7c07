"""Consultation: a few answers about the patient who is there, and the sheet of what happened to past ones like that."""

from __future__ import annotations

from dataclasses import asdict

from fastapi import Request, Response
from starlette.exceptions import HTTPException

from registry.errors import Fault, GraftledgerError
from registry.store import Registry

from ..access import Pages, Refused, Visitor
from ..context import JobsGiven, VisitorGiven, Web, WebGiven, go_to, remembered, show
from ..downloads import sent
from ..embedding import embedded, show_report
from ..forms import Answers, AnswersGiven, first, whole_number
from ..job_tasks import SHEET
from ..jobs import Job, Jobs, Status

pages = Pages()


@pages.get("/consultation", task="consultation", what="Form of a consultation")
def form(request: Request, web: WebGiven) -> Response:
    """What is asked: nothing that identifies anybody, and nothing that is needed but the age."""
    return _form(request, web, {})


def _form(request: Request, web: Web, answers: Answers, *faults: Fault) -> Response:
    choices = remembered(web, "consultation", _choices)
    return show(
        request,
        "consultation.html",
        status=400 if faults else 200,
        faults=faults,
        choices=choices,
        given={name: first(answers, name) for name in ("age", "grafts", "sex", "stage", "technique")},
    )


def _choices(registry: Registry) -> list[tuple[str, str, list[tuple[str, str]]]]:
    """Name, label and answers of each field that is chosen, as figures can be split by it."""
    from pipelines.groups import group_fields

    from ...labels import value_label

    known = group_fields(registry.settings)
    asked = (("sex", "sex", "Sex"), ("stage", "pattern_stage", "Stage"), ("technique", "technique", "Technique"))
    return [
        (name, label, [(value, value_label(field, value)) for value in known[field].values or () if value != "unknown"])
        for name, field, label in asked
    ]


@pages.post("/consultation", task="consultation", what="Asking for a consultation sheet")
def ask(request: Request, web: WebGiven, jobs: JobsGiven, visitor: VisitorGiven, answers: AnswersGiven) -> Response:
    """Have a sheet made; the same one as before of the same records is shown at once."""
    from pipelines.consultation import Profile
    from pipelines.consultation.matching import matches

    try:
        age, grafts = whole_number(answers, "age", "the age"), whole_number(answers, "grafts", "the number of grafts")
        if age is None:
            raise GraftledgerError(Fault("give the age at the first surgery.", field="age"))
        sex, stage, technique = (first(answers, name) or None for name in ("sex", "stage", "technique"))
        profile = Profile(age, sex, stage, technique, grafts)
        settings, snapshot = remembered(web, "settings", lambda registry: (registry.settings, registry.snapshot))
        matches(settings, profile)
        rests_on = {"snapshot": snapshot, "settings": settings.digest}
    except GraftledgerError as refusal:
        return _form(request, web, answers, *refusal.faults)
    asked = {"page": "/consultation/{job}", "profile": asdict(profile), "rests_on": rests_on}
    for job in jobs.listed(visitor.account_id, SHEET):
        if job.status is Status.DONE and {name: job.request.get(name) for name in asked} == asked:
            return go_to(request, f"/consultation/{job.id}")
    return go_to(request, f"/consultation/{jobs.start(SHEET, asked, visitor.account_id)}")


@pages.get("/consultation/{job_id}", task="consultation", what="Consultation sheet")
def sheet(request: Request, jobs: JobsGiven, visitor: VisitorGiven, job_id: str) -> Response:
    """The sheet, or how far it is."""
    from ...consultation import SHEET_FILE

    job = _own(jobs, visitor, job_id)
    if job.status is not Status.DONE:
        return show(request, "consultation_job.html", job=job)
    page = (jobs.folder(job_id) / SHEET_FILE).read_text(encoding="utf-8")
    return show_report(request, "consultation_sheet.html", embedded(page), job=job)


@pages.get("/consultation/{job_id}/print", task="consultation", what="Consultation sheet in print")
def printed(jobs: JobsGiven, visitor: VisitorGiven, job_id: str) -> Response:
    """The sheet as one page of PDF."""
    from ...consultation import PRINT_FILE

    job = _own(jobs, visitor, job_id)
    if job.status is not Status.DONE:
        raise HTTPException(404)
    return sent((jobs.folder(job_id) / PRINT_FILE).read_bytes(), PRINT_FILE, "application/pdf")


def _own(jobs: Jobs, visitor: Visitor, job_id: str) -> Job:
    job = jobs.find(job_id)
    if job is None or job.kind != SHEET:
        raise HTTPException(404)
    if job.owner != visitor.account_id:
        raise Refused("another account's sheet")
    return job
