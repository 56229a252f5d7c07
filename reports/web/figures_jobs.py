"""The jobs of the pages Consultation and Expectations: the same calls as the commands make."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from registry.reports import register_report, shown_intake_id
from registry.store import open_registry

Progress = Callable[[str], None]


def make_sheet(registry: Path, request: Mapping[str, Any], files: Path, progress: Progress) -> dict[str, Any]:
    """The consultation sheet of `request["profile"]`: page, print and figures. Returns what it rests on."""
    from pipelines.consultation import Profile
    from pipelines.measures import MEASURE_LABELS

    from ..consultation import FIGURES_FILE, PRINT_FILE, SHEET_FILE, build_sheet
    from ..writing import write_report

    with open_registry(registry, known_measures=list(MEASURE_LABELS)) as opened:
        sheet = build_sheet(opened, Profile(**request["profile"]), progress=progress)
        shown, snapshot, digest = shown_intake_id(opened), opened.snapshot, opened.settings.digest
    progress("Setting the print")
    contents: dict[str, str | bytes] = {
        SHEET_FILE: sheet.html,
        PRINT_FILE: sheet.pdf(),
        FIGURES_FILE: sheet.figures_json,
    }
    write_report(files, contents, "consultation sheet")
    progress("Noting the sheet in the registry")
    refusal = register_report(registry, "consultation sheet", None, intake_id=shown, snapshot=snapshot)
    return {"snapshot": snapshot, "settings": digest, "not_registered": refusal}


def judge(registry: Path, request: Mapping[str, Any], files: Path, progress: Progress) -> dict[str, Any]:
    """Statements held against the records: the table of the command, as its page shows it."""
    from dataclasses import asdict

    from pipelines.expectations import FILE, judge_all, load_statements
    from pipelines.measures import MEASURE_LABELS

    from ..expectations_table import expectations_table

    own = registry / FILE
    statements = load_statements(own if own.exists() else None)
    with open_registry(registry, known_measures=list(MEASURE_LABELS)) as opened:
        progress("Holding statements against the records")
        table = expectations_table(judge_all(opened, statements), own=own.exists())
        data_date = opened.data_date
    return {"table": json.loads(json.dumps(asdict(table))), "data_date": data_date and data_date.isoformat()}
