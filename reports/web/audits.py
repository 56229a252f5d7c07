"""The audits of this registry as the pages see them: which quarters, what was prepared, and whether it still holds."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from starlette.exceptions import HTTPException

from ..audit import FIGURES_FILE, PAGE_FILE, PDF_FILE, TABLES_FILE, Quarter, last_complete_quarter
from .comments import comments_digest
from .context import Web, remembered
from .job_tasks import AUDIT
from .jobs import Job, Jobs, Status
from .report_jobs import ground
from .signatures import Signature, signature_of
from .state import stamp

if TYPE_CHECKING:
    from collections.abc import Mapping

QUARTERS_SHOWN = 8
AUDIT_FILES = {
    PAGE_FILE: "text/html",
    PDF_FILE: "application/pdf",
    FIGURES_FILE: "application/json",
    TABLES_FILE: "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
}
"""The files of an audit, with their media types."""
_CHANGES = {
    "comments": "the comments",
    "agreed": "agreed actions or outlier reviews",
    "snapshot": "the records",
    "settings": "the settings",
}


@dataclass(frozen=True)
class AuditState:
    """The audit of one quarter.

    made: the job that prepared it last; None where none did, or a patient was erased since. changed: what is no longer
    as it was then, in words. latest: the last job, whatever became of it. signature: once it is signed.
    """

    quarter: Quarter
    made: Job | None
    changed: tuple[str, ...]
    latest: Job | None
    signature: Signature | None
    folder: Path | None

    @property
    def sections(self) -> Mapping[str, str]:
        """Name and heading of its sections, as far as it was prepared."""
        return dict(self.made.result["sections"]) if self.made else {}

    @property
    def made_at(self) -> str:
        """When it was prepared."""
        assert self.made is not None
        assert self.made.ended_at is not None
        return stamp(datetime.fromtimestamp(self.made.ended_at, UTC))

    def path(self, name: str) -> Path:
        """One of its files. Raises: HTTPException 404 where there is none."""
        if self.folder is None or name not in AUDIT_FILES or not (self.folder / name).is_file():
            raise HTTPException(404)
        return self.folder / name


def quarters_to_choose(data_date: date | None, first_on: date | None) -> list[Quarter]:
    """The last quarters that the records cover, the latest first, none before the first session."""
    quarter, found = last_complete_quarter(data_date), list[Quarter]()
    while len(found) < QUARTERS_SHOWN and (not found or first_on is None or quarter.last_on >= first_on):
        found.append(quarter)
        quarter = quarter.before
    return found


def audit_state(web: Web, jobs: Jobs, quarter: Quarter) -> AuditState:
    """How the audit of a quarter stands."""
    folder = web.folder
    of_quarter = [job for job in jobs.listed(kind=AUDIT) if job.request["quarter"] == str(quarter)]
    now = {**remembered(web, "what reports rest on", ground), "comments": comments_digest(folder, str(quarter))}
    made = usable(of_quarter, now)
    changed = changes(made, now) if made else ()
    signature = signature_of(folder, str(quarter))
    kept = signature.folder if signature else jobs.folder(made.id) if made else None
    return AuditState(quarter, made, changed, next(iter(of_quarter), None), signature, kept)


def usable(jobs: list[Job], now: Mapping[str, Any]) -> Job | None:
    """The last job that prepared a report; none from before an erasure, since it may count who was erased."""
    done = (job for job in jobs if job.status is Status.DONE and job.result["ground"]["erased"] == now["erased"])
    return next(done, None)


def changes(made: Job, now: Mapping[str, Any]) -> tuple[str, ...]:
    """What differs between then and now, in words."""
    then = made.result["ground"]
    return tuple(words for name, words in _CHANGES.items() if name in then and then[name] != now.get(name))
