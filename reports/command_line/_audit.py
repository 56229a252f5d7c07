"""The command that writes the quarterly audit."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from registry.reports import register_report, shown_intake_id
from registry.store import open_registry

from ._app import AsOfIntakeOption, RegistryOption, command, erased_words, note, say


@command("audit")
def audit(
    quarter: Annotated[str, typer.Argument(metavar="YYYY-Qn", help="The quarter, such as 2026-Q3.")],
    registry: RegistryOption = Path("."),
    out: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Folder to write to; audit-YYYY-Qn if left out.")
    ] = None,
    replace: Annotated[bool, typer.Option("--replace", help="Replace an audit that is there already.")] = False,
    as_of_intake: AsOfIntakeOption = None,
) -> None:
    """Write the quarterly audit: one page to read or print, and its figures."""
    from pipelines.measures import MEASURE_LABELS

    from ..audit import build_audit, parse_quarter, write_audit

    folder = out if out is not None else Path(f"audit-{parse_quarter(quarter)}")
    with open_registry(registry, known_measures=list(MEASURE_LABELS), as_of_intake=as_of_intake) as opened:
        document = build_audit(opened, quarter)
        shown, snapshot, erased = shown_intake_id(opened), opened.snapshot, opened.erased_since
    page, figures = write_audit(folder, document.html, document.figures_json, replace=replace)
    say(f"The audit of {quarter} is in {page}")
    if erased:
        note(erased_words(erased))
    if refusal := register_report(registry, "audit", quarter, intake_id=shown, snapshot=snapshot):
        note(f"It was not registered, so that an erasure will not name it: {refusal}")
    note(f"Open it in a browser, or print it. Its figures, unrounded: {figures}")
