"""However a job stands, the pages that show it open."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from typing import Any

import pytest

from reports.web.access import Role
from reports.web.accounts import accounts
from reports.web.held_back_jobs import JUDGE_AGAIN
from reports.web.job_tasks import (
    AUDIT,
    BENCHMARK,
    COHORT,
    EXPECTATIONS,
    EXPORT,
    HELD_BACK,
    INTAKE,
    JOB_TASKS,
    LOOK,
    SHEET,
)
from reports.web.jobs import Status
from reports.web.state import open_state
from tests.reports.web.browsing import NAMES, Browser

Make = Callable[[Role | None], Browser]
JOB, DELIVERY = "a" * 32, "b" * 32
SEEN: dict[str, tuple[Role, dict[str, Any], tuple[str, ...]]] = {
    AUDIT: (Role.DIRECTOR, {"page": "/quarter/2026-Q3", "quarter": "2026-Q3"}, ("/quarter", "/quarter/2026-Q3")),
    BENCHMARK: (
        Role.SURGEON,
        {"page": "/my-outcomes", "surgeon": "S1", "quarter": "2026-Q3"},
        ("/my-outcomes?quarter=2026-Q3",),
    ),
    LOOK: (
        Role.DATA_MANAGER,
        {"page": f"/records/deliveries/{DELIVERY}", "delivery": DELIVERY, "site": "A", "files": ["a.csv"]},
        ("/records", f"/records/deliveries/{DELIVERY}"),
    ),
    INTAKE: (
        Role.DATA_MANAGER,
        {"page": f"/records/deliveries/{DELIVERY}", "delivery": DELIVERY, "site": "A"},
        ("/records",),
    ),
    HELD_BACK: (
        Role.DATA_MANAGER,
        {"page": f"/records/held-back/done/{JOB}", "act": JUDGE_AGAIN},
        (f"/records/held-back/done/{JOB}",),
    ),
    COHORT: (Role.RESEARCHER, {"page": "/cohorts/one", "name": "one"}, ("/cohorts", "/cohorts/one")),
    EXPORT: (Role.RESEARCHER, {"page": "/cohorts/one", "name": "one", "level": "anonymous"}, ("/cohorts/one",)),
    SHEET: (
        Role.SURGEON,
        {"page": f"/consultation/{JOB}", "profile": {}, "rests_on": {}},
        ("/consultation", f"/consultation/{JOB}"),
    ),
    EXPECTATIONS: (Role.RESEARCHER, {"page": "/expectations", "rests_on": {}}, ("/expectations",)),
}
"""By kind: who sees it, what was asked for, and the pages that may show it."""


def test_every_kind_is_looked_at() -> None:
    assert set(SEEN) == set(JOB_TASKS)


@pytest.mark.parametrize("status", [status for status in Status if status is not Status.DONE])
def test_pages_open_however_a_job_stands(browser: Make, status: Status) -> None:
    folder = browser(None).web.folder
    for kind, (role, request, pages) in SEEN.items():
        owner = next(one.account_id for one in accounts(folder) if one.name == NAMES[role])
        result = json.dumps({"faults": ["too large. Split it."]}) if status is Status.REFUSED else None
        with open_state(folder) as state:
            state.execute("delete from job")
            state.execute(
                "insert into job (id, kind, owner, request, status, asked_at, seen_at, result, ended_at) "
                "values (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                [JOB, kind, owner, json.dumps(request), status, time.time(), time.time(), result, time.time()],
            )
        one = browser(role)
        for page in (*pages, f"/jobs/{JOB}"):
            answer = one.get(page)
            assert answer.status_code in (200, 303, 404), (kind, page)
        if status is Status.REFUSED and kind not in (INTAKE, EXPORT):  # theirs show within a delivery and a kept cohort
            assert "too large. Split it." in one.get(pages[-1]).text, kind
