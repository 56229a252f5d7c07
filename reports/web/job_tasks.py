"""What jobs can do: each kind with the function that its process runs."""

from __future__ import annotations

from collections.abc import Mapping

from .jobs import Task

AUDIT, BENCHMARK = "audit", "benchmark"

JOB_TASKS: Mapping[str, Task] = {
    AUDIT: Task("reports.web.report_jobs:make_audit"),
    BENCHMARK: Task("reports.web.report_jobs:make_benchmark"),
}
