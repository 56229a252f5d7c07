"""Quarter: choose one, prepare and read its audit, comment on it, and sign it."""

from __future__ import annotations

from datetime import date
from typing import Annotated

from fastapi import Form, Query, Request, Response
from fastapi.responses import FileResponse
from markupsafe import Markup

from registry.errors import Fault, GraftledgerError
from registry.store import Registry

from ...audit import PAGE_FILE, PDF_FILE, parse_quarter
from ..access import Pages
from ..audits import AUDIT_FILES, AuditState, audit_state, quarters_to_choose
from ..comments import PREFACE, keep_comment, kept_comments
from ..context import JobsGiven, VisitorGiven, Web, WebGiven, go_to, remembered, show
from ..embedding import embedded, show_report
from ..job_tasks import AUDIT
from ..jobs import Jobs
from ..sign_in import confirm_password
from ..signatures import refuse_signed, sign, signed_quarters

pages = Pages()


@pages.get("/quarter", task="quarter", what="Quarters to choose")
def quarters(
    request: Request, web: WebGiven, jobs: JobsGiven, quarter: Annotated[str, Query(max_length=20)] = ""
) -> Response:
    """The last quarters, and how the audit of each stands."""
    faults: tuple[Fault, ...] = ()
    if quarter:
        try:
            return go_to(request, f"/quarter/{parse_quarter(quarter)}")
        except GraftledgerError as refusal:
            faults = tuple(Fault(fault.what, field="quarter") for fault in refusal.faults)
    data_date, first_on = remembered(web, "days of the practice", _days)
    prepared = {job.request["quarter"] for job in jobs.listed(kind=AUDIT) if job.status == "done"}
    return show(
        request,
        "quarters.html",
        status=400 if faults else 200,
        data_date=data_date,
        quarters=quarters_to_choose(data_date, first_on) if data_date else [],
        signed=signed_quarters(web.folder),
        prepared=prepared,
        asked=quarter,
        faults=faults,
    )


@pages.get("/quarter/{quarter}", task="quarter", what="State of an audit")
def quarter_page(request: Request, web: WebGiven, jobs: JobsGiven, quarter: str) -> Response:
    """How the audit stands, with comments, actions and signing."""
    return _show(request, web, _state(web, jobs, quarter))


def _days(registry: Registry) -> tuple[date | None, date | None]:
    """Up to when records are complete, and the first session."""
    first_on = registry.connection.execute("select min(performed_on) from session").fetchall()[0][0]
    return registry.data_date, first_on


def _state(web: Web, jobs: Jobs, quarter: str) -> AuditState:
    return audit_state(web, jobs, parse_quarter(quarter))


def _show(
    request: Request, web: Web, state: AuditState, *, faults: tuple[Fault, ...] = (), section: str = "", words: str = ""
) -> Response:
    kept = kept_comments(web.folder, str(state.quarter))
    return show(
        request,
        "quarter.html",
        status=400 if faults else 200,
        state=state,
        quarter=state.quarter,
        comments=kept,
        sections={PREFACE: "Preface, before all sections", **state.sections},
        faults=faults,
        section=section,
        words=words,
    )


@pages.post("/quarter/{quarter}/prepare", task="quarter", what="Preparing an audit")
def prepare(request: Request, web: WebGiven, jobs: JobsGiven, visitor: VisitorGiven, quarter: str) -> Response:
    """Make it anew in the background."""
    chosen = parse_quarter(quarter)
    refuse_signed(web.folder, str(chosen))
    running = [job for job in jobs.listed(kind=AUDIT) if job.is_live and job.request["quarter"] == str(chosen)]
    if not running:
        page = f"/quarter/{chosen}"
        jobs.start(AUDIT, {"quarter": str(chosen), "page": page}, visitor.account_id)
    return go_to(request, f"/quarter/{chosen}")


@pages.get("/quarter/{quarter}/audit", task="quarter", what="Reading an audit")
def read(request: Request, web: WebGiven, jobs: JobsGiven, quarter: str) -> Response:
    """The audit, with ways from its figures to what stands behind them."""
    state = _state(web, jobs, quarter)
    page = state.path(PAGE_FILE).read_text(encoding="utf-8")
    return show_report(request, "audit.html", embedded(page, _ways(state)), state=state, quarter=state.quarter)


def _ways(state: AuditState) -> dict[str, Markup]:
    """From sections of the audit to what stands behind their figures."""
    cases = f"/quarter/{state.quarter}/cases"
    return {
        section: Markup('<p class="way"><a href="{}">{}</a></p>').format(path, words)
        for section, path, words in (
            ("in-short", cases, "Keys of the cases behind these figures"),
            ("complications", f"{cases}/serious", "Keys of the severe complications of the quarter"),
            ("follow-up", "/visits-due", "Who should be seen now, by site"),
            ("held-back", "/records", "The rows held back, and how to mend them"),
        )
    }


@pages.get("/quarter/{quarter}/files/{name}", task="quarter", what="Taking a file of an audit")
def file(web: WebGiven, jobs: JobsGiven, quarter: str, name: str) -> Response:
    """PDF, figures or tables, as a download."""
    state = _state(web, jobs, quarter)
    path = state.path(name)
    stem, _, ending = name.rpartition(".")
    return FileResponse(path, media_type=AUDIT_FILES[name], filename=f"{stem}-{state.quarter}.{ending}")


@pages.post("/quarter/{quarter}/comments", task="quarter", what="Commenting on an audit")
def comment(
    request: Request,
    web: WebGiven,
    jobs: JobsGiven,
    visitor: VisitorGiven,
    quarter: str,
    section: Annotated[str, Form(max_length=60)] = PREFACE,
    words: Annotated[str, Form(max_length=20_000)] = "",
) -> Response:
    """Keep what the director says to one section."""
    state = _state(web, jobs, quarter)
    try:
        refuse_signed(web.folder, str(state.quarter))
        if section != PREFACE and section not in state.sections:
            raise GraftledgerError(Fault("the audit has no such section.", field="section"))
        keep_comment(web.folder, str(state.quarter), section, words, visitor.name)
    except GraftledgerError as refusal:
        return _show(request, web, state, faults=refusal.faults, section=section, words=words)
    return go_to(
        request,
        f"/quarter/{state.quarter}#comments",
        "The comment is kept. Prepare the audit again to see it there." if words.strip() else "The comment is gone.",
    )


@pages.post("/quarter/{quarter}/sign", task="quarter", what="Signing an audit")
def sign_now(
    request: Request,
    web: WebGiven,
    jobs: JobsGiven,
    visitor: VisitorGiven,
    quarter: str,
    made: Annotated[str, Form(max_length=64)] = "",
    read: Annotated[str, Form(max_length=10)] = "",
    present: Annotated[str, Form(max_length=1000)] = "",
) -> Response:
    """Lock the audit that was read, with the password asked again."""
    state = _state(web, jobs, quarter)
    try:
        if state.made is None or state.made.id != made:
            raise GraftledgerError(Fault("another version was prepared since.", mend="Read it before signing it."))
        if {"the comments", "agreed actions or outlier reviews"} & set(state.changed):
            raise GraftledgerError(
                Fault("comments or actions were changed since it was prepared.", mend="Prepare and read it again.")
            )
        if read != "yes":
            raise GraftledgerError(Fault("say that you have read it.", field="read"))
        if not confirm_password(web.folder, visitor.account_id, present):
            raise GraftledgerError(Fault("the password is another one.", field="present"))
        sign(
            web.folder,
            str(state.quarter),
            jobs.folder(made),
            [PAGE_FILE, PDF_FILE, *(name for name in AUDIT_FILES if name not in (PAGE_FILE, PDF_FILE))],
            signed_by=visitor.name,
            snapshot=str(state.made.result["ground"]["snapshot"]),
        )
    except GraftledgerError as refusal:
        return _show(request, web, state, faults=refusal.faults)
    return go_to(request, f"/quarter/{state.quarter}", "The audit is signed and locked.")
