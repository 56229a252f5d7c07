"""What jobs can do: each kind with the function that its process runs."""

from __future__ import annotations

from collections.abc import Mapping

from .jobs import Task

AUDIT, BENCHMARK = "audit", "benchmark"
LOOK, INTAKE, HELD_BACK = "look at a delivery", "intake", "rows held back"
COHORT, EXPORT = "cohort", "export"
SHEET, EXPECTATIONS = "consultation sheet", "expectations"

JOB_TASKS: Mapping[str, Task] = {
    AUDIT: Task("reports.web.report_jobs:make_audit"),
    BENCHMARK: Task("reports.web.report_jobs:make_benchmark"),
    LOOK: Task("reports.web.records_jobs:look"),
    INTAKE: Task("reports.web.records_jobs:take_in", writes=True),
    HELD_BACK: Task("reports.web.held_back_jobs:settle", writes=True),
    COHORT: Task("reports.web.cohort_jobs:keep_cohort", writes=True),
    EXPORT: Task("reports.web.cohort_jobs:export", writes=True),
    SHEET: Task("reports.web.figures_jobs:make_sheet"),
    EXPECTATIONS: Task("reports.web.figures_jobs:judge"),
}
