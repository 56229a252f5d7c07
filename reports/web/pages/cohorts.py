"""Cohorts: chosen with counts that follow, kept under a name, and exported at the levels that are granted.

Who is no director sees rounded counts, and neither chooses by codes of sites and people nor receives them.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from fastapi import Request, Response
from fastapi.responses import FileResponse
from markupsafe import Markup
from starlette.exceptions import HTTPException

from registry.errors import Fault, GraftledgerError
from registry.settings import Settings

from ..access import Pages, Refused, Role, Visitor
from ..context import JobsGiven, VisitorGiven, Web, WebGiven, go_to, remembered, show
from ..forms import Answers, AnswersGiven, day, first
from ..job_tasks import COHORT, EXPORT
from ..jobs import Job, Jobs, Status

if TYPE_CHECKING:
    from pipelines.cohorts import CohortDefinition, FlowStep, MaskedStep, StoredCohort

pages = Pages()
TAKE, LEAVE, TURNED = "w-", "x-", "out"
"""What the names of a form's fields begin with: values chosen, and whether these are left out."""


@dataclass(frozen=True)
class Choice:
    """A field to choose by. options: value, its words, whether it is chosen. is_turned: whether these are left out."""

    name: str
    label: str
    options: tuple[tuple[str, str, bool], ...]
    is_turned: bool

    @property
    def chosen(self) -> int:
        """How many values are chosen."""
        return sum(chosen for _, _, chosen in self.options)


@pages.get("/cohorts", task="cohorts", what="Cohorts")
def cohorts(request: Request, web: WebGiven, visitor: VisitorGiven) -> Response:
    """The cohorts that are kept, and a form to make one."""
    return _page(request, web, visitor, {})


@pages.post("/cohorts/count", task="cohorts", what="Counting a cohort")
def count(request: Request, web: WebGiven, visitor: VisitorGiven, answers: AnswersGiven) -> Response:
    """The form again, with who would be in the cohort."""
    return _page(request, web, visitor, answers)


@dataclass(frozen=True)
class Facts:
    """What the pages need of the registry beside counts. kept: every version of every cohort."""

    settings: Settings
    kept: tuple[StoredCohort, ...]
    snapshot: str


def _facts(web: Web) -> Facts:
    from pipelines.cohorts import list_cohorts

    return remembered(
        web, "cohorts", lambda registry: Facts(registry.settings, list_cohorts(registry), registry.snapshot)
    )


def _flow(web: Web, visitor: Visitor, definition: CohortDefinition) -> Sequence[FlowStep | MaskedStep]:
    """The flow as this visitor may see it."""
    from pipelines.cohorts import cohort_flow, masked_flow

    flow = remembered(web, ("flow", definition), lambda registry: cohort_flow(registry, definition))
    return masked_flow(flow) if _is_masked(visitor) else flow


def _page(request: Request, web: Web, visitor: Visitor, answers: Answers, *faults: Fault) -> Response:
    facts = _facts(web)
    steps: Sequence[FlowStep | MaskedStep] = ()
    try:
        steps = _flow(web, visitor, _definition(facts.settings, visitor, answers))
    except GraftledgerError as refusal:
        faults = (*faults, *refusal.faults)
    return show(
        request,
        "cohorts.html",
        status=400 if faults else 200,
        faults=faults,
        kept=_visible(facts, visitor),
        choices=_choices(facts.settings, visitor, answers),
        given={name: first(answers, name) for name in ("name", "since", "until", "followed_to", "first_here")},
        steps=steps,
        is_masked=_is_masked(visitor),
    )


def _is_masked(visitor: Visitor) -> bool:
    return visitor.role is not Role.DIRECTOR


def _of_people() -> set[str]:
    """Fields that hold codes of sites or people."""
    from registry.definition import PATIENT, SESSION, Kind

    return {
        field.name
        for record in (PATIENT, SESSION)
        for field in record.fields
        if field.kind in (Kind.SITE, Kind.SURGEON)
    }


def _choices(settings: Settings, visitor: Visitor, answers: Answers) -> list[Choice]:
    from pipelines.groups import NOT_RECORDED, group_fields

    from ...labels import value_label

    hidden = _of_people() if _is_masked(visitor) else set()
    return [
        Choice(
            name,
            field.label,
            tuple(
                (value, value_label(name, value), value in answers.get(TAKE + name, ()))
                for value in (*field.values, NOT_RECORDED)
            ),
            TURNED in answers.get(LEAVE + name, ()),
        )
        for name, field in group_fields(settings).items()
        if field.values and name not in hidden and name != "consent_scope"
    ]


def _definition(settings: Settings, visitor: Visitor, answers: Answers) -> CohortDefinition:
    """The definition that a form asks for. Raises: GraftledgerError where it cannot be."""
    from pipelines.cohorts import define

    chosen = {name[len(TAKE) :]: values for name, values in answers.items() if name.startswith(TAKE)}
    if _is_masked(visitor) and set(chosen) & _of_people():
        raise Refused("choosing by codes of sites or people")
    turned = {name for name in chosen if TURNED in answers.get(LEAVE + name, ())}
    return define(
        settings,
        where={name: values for name, values in chosen.items() if name not in turned},
        exclude={name: chosen[name] for name in turned},
        since=day(answers, "since", "the first day"),
        until=day(answers, "until", "the last day"),
        first_here=first(answers, "first_here") == "yes",
        followed_to=day(answers, "followed_to", "the end of follow-up"),
    )


@pages.post("/cohorts", task="cohorts", what="Keeping a cohort")
def keep(request: Request, web: WebGiven, jobs: JobsGiven, visitor: VisitorGiven, answers: AnswersGiven) -> Response:
    """Keep the definition under its name; the registry is written by a job, when it is this one's turn."""
    from pipelines.cohorts.definition import check_name

    name = first(answers, "name")
    facts = _facts(web)
    try:
        check_name(name)
        _check_free(facts, visitor, name)
    except GraftledgerError as refusal:
        return _page(request, web, visitor, answers, *(replace(fault, field="name") for fault in refusal.faults))
    try:
        definition = _definition(facts.settings, visitor, answers)
    except GraftledgerError:
        return _page(request, web, visitor, answers)  # which says what is wrong
    asked = {
        "page": f"/cohorts/{name}",
        "name": name,
        "definition": definition.to_json(),
        "defined_by": visitor.name,
    }
    jobs.start(COHORT, asked, visitor.account_id)
    return go_to(request, f"/cohorts/{name}")


def _check_free(facts: Facts, visitor: Visitor, name: str) -> None:
    """Refuse a name under which there is a cohort that this visitor may not see."""
    taken = {cohort.name for cohort in facts.kept}
    if name in taken and name not in {cohort.name for cohort in _visible(facts, visitor)}:
        raise GraftledgerError(Fault("this name is taken.", field="name", mend="Choose another."))


def _visible(facts: Facts, visitor: Visitor) -> list[StoredCohort]:
    """The last version of each cohort, without those that name sites or people where these are not to be seen."""
    last = {cohort.name: cohort for cohort in facts.kept}
    hidden = _of_people() if _is_masked(visitor) else set()
    return [
        cohort
        for cohort in last.values()
        if not hidden & {name for name, _ in (*cohort.definition.where, *cohort.definition.exclude)}
    ]


@pages.get("/cohorts/{name}", task="cohorts", what="A cohort")
def cohort_page(request: Request, web: WebGiven, jobs: JobsGiven, visitor: VisitorGiven, name: str) -> Response:
    """Definition, flow of patients, and exports."""
    return _cohort(request, web, jobs, visitor, name)


def _cohort(request: Request, web: Web, jobs: Jobs, visitor: Visitor, name: str, *faults: Fault) -> Response:
    from pipelines.exports import DEFAULT_K, FORMATS

    own = [job for job in jobs.listed(visitor.account_id, COHORT) if job.request["name"] == name]
    facts = _facts(web)
    stored = _find(facts, visitor, name)
    if stored is None and not own:
        raise HTTPException(404)
    steps = _flow(web, visitor, stored.definition) if stored else ()
    return show(
        request,
        "cohort.html",
        status=400 if faults else 200,
        faults=faults,
        name=name,
        cohort=stored,
        conditions=_words(stored.definition) if stored else [],
        steps=steps,
        picture=_picture(name, steps, facts.snapshot) if stored else None,
        is_masked=_is_masked(visitor),
        job=own[0] if own and own[0].status is not Status.DONE else None,
        exports=[job for job in jobs.listed(visitor.account_id, EXPORT) if job.request["name"] == name],
        levels=_levels(visitor),
        formats=[fmt for fmt in FORMATS if fmt != "csv"],
        k=DEFAULT_K,
    )


def _find(facts: Facts, visitor: Visitor, name: str) -> StoredCohort | None:
    """The cohort of a name. Raises: Refused where this visitor may not see it."""
    if name not in {cohort.name for cohort in facts.kept}:
        return None
    found = next((cohort for cohort in _visible(facts, visitor) if cohort.name == name), None)
    if found is None:
        raise Refused("a cohort chosen by codes of sites or people")
    return found


def _words(definition: CohortDefinition) -> list[tuple[str, str]]:
    """The definition as a list to read."""
    from ...labels import value_label

    found: list[tuple[str, str]] = []
    for words, conditions in (("Only", definition.where), ("Not", definition.exclude)):
        for name, values in conditions:
            found.append((f"{words} {name.replace('_', ' ')}", " or ".join(value_label(name, each) for each in values)))
    for key, value in json.loads(definition.to_json()).items():
        if key not in ("where", "exclude") and value:
            text = "; ".join(value) if isinstance(value, list) else "yes" if value is True else str(value)
            found.append((key.replace("_", " ").capitalize(), text))
    return found


def _picture(name: str, steps: Sequence[FlowStep | MaskedStep], snapshot: str) -> Markup | None:
    from pipelines.cohorts import FlowStep

    from ...cohort.flow import flow_svg

    drawn = [FlowStep(step.name, step.excluded or 0, step.remaining) for step in steps if step.remaining is not None]
    if not drawn:
        return None
    notes = [f"Patients. Each is counted at the first step that is not met. Snapshot {snapshot}."]
    return Markup(flow_svg(drawn, f"Cohort {name}", notes))  # noqa: S704  (it escapes what it is given)


def _levels(visitor: Visitor) -> list[str]:
    """The levels at which this visitor may export. Internal tables hold codes of people: they are the director's."""
    from pipelines.exports import Level

    if visitor.role is Role.DIRECTOR:
        return [level.value for level in Level]
    return [level.value for level in Level if level is not Level.INTERNAL and level.value in visitor.levels]


@pages.post("/cohorts/{name}/export", task="cohorts", what="Exporting a cohort")
def export(
    request: Request, web: WebGiven, jobs: JobsGiven, visitor: VisitorGiven, answers: AnswersGiven, name: str
) -> Response:
    """Begin an export at a level that is granted."""
    from pipelines.exports import formats_named, level_named

    stored = _find(_facts(web), visitor, name)
    if stored is None:
        raise HTTPException(404)
    try:
        level = level_named(first(answers, "level"))
        formats = formats_named(["csv", *answers.get("format", ())])
    except GraftledgerError as refusal:
        return _cohort(request, web, jobs, visitor, name, *refusal.faults)
    if level.value not in _levels(visitor):
        raise Refused(f"exports at level {level.value}")
    asked = {
        "page": f"/cohorts/{name}",
        "name": name,
        "version": stored.version,
        "level": level.value,
        "formats": list(formats),
        "with_sites": not _is_masked(visitor) and first(answers, "with_sites") == "yes",
        "exported_by": visitor.name,
    }
    jobs.start(EXPORT, asked, visitor.account_id)
    return go_to(request, f"/cohorts/{name}")


@pages.get("/cohorts/exports/{job_id}", task="cohorts", what="Download of an export")
def download(jobs: JobsGiven, visitor: VisitorGiven, job_id: str) -> Response:
    """The archive of an export of one's own, as long as its level is granted."""
    job = _own_export(jobs, visitor, job_id)
    if job.status is not Status.DONE:
        raise HTTPException(404)
    return FileResponse(
        jobs.folder(job_id) / job.result["file"], filename=job.result["file"], media_type="application/zip"
    )


def _own_export(jobs: Jobs, visitor: Visitor, job_id: str) -> Job:
    job = jobs.find(job_id)
    if job is None or job.kind != EXPORT:
        raise HTTPException(404)
    if job.owner != visitor.account_id:
        raise Refused("another account's export")
    if job.request["level"] not in _levels(visitor):
        raise Refused(f"exports at level {job.request['level']}")
    return job
