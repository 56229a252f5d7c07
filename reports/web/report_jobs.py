"""The jobs that make reports: the same calls as the commands make, into the folder of the job."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from datetime import date
from hashlib import sha256
from pathlib import Path
from typing import Any

from registry.reports import register_report, shown_intake_id
from registry.store import Registry, open_registry

from .comments import audit_comments, comments_digest

Progress = Callable[[str], None]


def make_audit(registry: Path, request: Mapping[str, Any], files: Path, progress: Progress) -> dict[str, Any]:
    """The audit of `request["quarter"]` with the comments kept for it. Returns what it rests on, and its sections.

    Deadlines of actions are held against today, so that what was agreed after the quarter's end stands in it.
    """
    from pipelines.measures import MEASURE_LABELS

    from ..audit import build_audit, write_audit

    quarter = str(request["quarter"])
    words = audit_comments(registry, quarter)
    with open_registry(registry, known_measures=list(MEASURE_LABELS)) as opened:
        progress(f"Gathering and laying out the figures of {quarter}")
        document = build_audit(opened, quarter, on=date.today(), comments=words)
        rests_on = {**ground(opened), "comments": comments_digest(registry, quarter)}
        shown, snapshot = shown_intake_id(opened), opened.snapshot
    progress("Setting the pages of the print")
    write_audit(files, document, document.pdf().content)
    progress("Noting the report in the registry")
    refusal = register_report(registry, "audit", quarter, intake_id=shown, snapshot=snapshot)
    return {"ground": rests_on, "sections": sections_of(document.html), "not_registered": refusal}


def make_benchmark(registry: Path, request: Mapping[str, Any], files: Path, progress: Progress) -> dict[str, Any]:
    """The page of `request["surgeon"]` up to the end of `request["quarter"]`. Returns what it rests on."""
    from pipelines.comparison.practice import compare_practice
    from pipelines.comparison.reviews import checked_surgeon
    from pipelines.measures import MEASURE_LABELS

    from ..audit import parse_quarter
    from ..benchmark import build_benchmark, write_benchmark

    quarter, surgeon = parse_quarter(str(request["quarter"])), str(request["surgeon"])
    with open_registry(registry, known_measures=list(MEASURE_LABELS)) as opened:
        checked_surgeon(opened, surgeon)
        progress("Comparing with peers")
        practice = compare_practice(opened, quarter.last_on)
        progress("Laying out the page")
        document = build_benchmark(practice, surgeon, quarter)
        rests_on, shown, snapshot = ground(opened), shown_intake_id(opened), opened.snapshot
    progress("Setting the pages of the print")
    write_benchmark(files, document)
    progress("Noting the report in the registry")
    refusal = register_report(registry, "benchmark", f"{surgeon} {quarter}", intake_id=shown, snapshot=snapshot)
    return {"ground": rests_on, "not_registered": refusal}


def ground(registry: Registry) -> dict[str, Any]:
    """What a report rests on; where any of it differs, a report made before is no longer of the present state."""
    from pipelines.agreed_actions import agreed_actions
    from pipelines.comparison.reviews import outlier_reviews

    agreed = (agreed_actions(registry), tuple(outlier_reviews(registry)))
    execute = registry.connection.execute
    return {
        "snapshot": registry.snapshot,
        "settings": registry.settings.digest,
        "agreed": sha256(repr(agreed).encode()).hexdigest()[:16],
        "erased": int(execute("select count(*) from erasure").fetchall()[0][0]),
    }


_SECTION = re.compile(r'<li><a href="#([a-z-]+)">([^<]+)</a></li>')


def sections_of(page: str) -> dict[str, str]:
    """Name and heading of each section of a report page, by its contents.

    >>> sections_of('<li><a href="#in-short">In short</a></li>')
    {'in-short': 'In short'}
    """
    return dict(_SECTION.findall(page))
