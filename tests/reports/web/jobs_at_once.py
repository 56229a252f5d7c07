"""Jobs done within the test, by the functions that their process would run."""

from __future__ import annotations

import importlib
import json
import secrets
import time
from collections.abc import Mapping
from typing import Any

from registry.errors import GraftledgerError
from reports.web.job_tasks import JOB_TASKS
from reports.web.jobs import Jobs, Status
from reports.web.state import open_state


def start_at_once(jobs: Jobs, kind: str, request: Mapping[str, Any], owner: int) -> str:
    """In place of `Jobs.start`: returns when the job has ended."""
    job_id, moment = secrets.token_hex(16), time.time()
    with open_state(jobs._registry) as state:
        state.execute(
            "insert into job (id, kind, owner, request, status, asked_at, seen_at) values (?, ?, ?, ?, ?, ?, ?)",
            [job_id, kind, owner, json.dumps(request), Status.RUNNING, moment, moment],
        )
    jobs.folder(job_id).mkdir(parents=True)
    module, _, name = JOB_TASKS[kind].function.partition(":")
    function = getattr(importlib.import_module(module), name)
    try:
        done = {"status": Status.DONE, "result": function(jobs._registry, request, jobs.folder(job_id), lambda _: None)}
    except GraftledgerError as refusal:
        done = {"status": Status.REFUSED, "result": {"faults": [str(fault) for fault in refusal.faults]}}
    jobs._set(job_id, status=done["status"], result=json.dumps(done["result"]), ended_at=time.time())
    return job_id
