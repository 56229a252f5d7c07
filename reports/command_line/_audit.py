"""The commands that write the quarterly audit, and tell what differs between two of them."""

from __future__ import annotations

import os
from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from registry.reports import register_report, shown_intake_id
from registry.store import open_registry

from ._app import AsOfIntakeOption, RegistryOption, command, erased_words, note, say
from ._progress import progress_line


@command("audit")
def audit(
    quarter: Annotated[str, typer.Argument(metavar="YYYY-Qn", help="The quarter, such as 2026-Q3.")],
    registry: RegistryOption = Path("."),
    out: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Folder to write to; audit-YYYY-Qn if left out.")
    ] = None,
    replace: Annotated[bool, typer.Option("--replace", help="Replace an audit that is there already.")] = False,
    paper: Annotated[str, typer.Option(metavar="NAME", help="Paper of the PDF: a4 or letter.")] = "a4",
    comments: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Preface and comments on sections, in Markdown.")
    ] = None,
    previous: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Folder of the last audit, to tell what was defined anew.")
    ] = None,
    on: Annotated[
        datetime | None,
        typer.Option(
            formats=["%Y-%m-%d"],
            metavar="DATE",
            help="Day that deadlines of actions are held against; the quarter's last day if left out.",
        ),
    ] = None,
    as_of_intake: AsOfIntakeOption = None,
) -> None:
    """Write the quarterly audit: a page to read, a PDF to sign, its figures and its tables."""
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # small matrices: threads would wait for each other
    from pipelines.measures import MEASURE_LABELS

    from ..audit import FILES, build_audit, parse_quarter, read_comments, write_audit
    from ..audit_diff import read_figures
    from ..writing import refuse_earlier

    folder = out if out is not None else Path(f"audit-{parse_quarter(quarter)}")
    refuse_earlier(folder, FILES, "audit", replace=replace)
    words = read_comments(comments) if comments is not None else None
    before = read_figures(previous) if previous is not None else None
    with (
        open_registry(registry, known_measures=list(MEASURE_LABELS), as_of_intake=as_of_intake) as opened,
        progress_line() as progress,
    ):
        progress(f"Gathering and laying out the figures of {quarter}")
        document = build_audit(opened, quarter, on=on.date() if on else None, comments=words, previous=before)
        shown, snapshot, erased = shown_intake_id(opened), opened.snapshot, opened.erased_since
    printed = document.pdf(paper)
    page, pdf, figures, tables = write_audit(folder, document, printed.content, replace=replace)
    say(f"The audit of {quarter} is in {page}")
    say(f"To print and sign: {pdf}")
    if not printed.is_accessible:
        note("The PDF holds a letter that its fonts do not have, so it shows a box there and keeps to no standard.")
    if erased:
        note(erased_words(erased))
    if refusal := register_report(registry, "audit", quarter, intake_id=shown, snapshot=snapshot):
        note(f"It was not registered, so that an erasure will not name it: {refusal}")
    note(f"Its figures, unrounded: {figures}; its tables: {tables}")


@command("audit-diff")
def audit_diff(
    before: Annotated[Path, typer.Argument(metavar="DIR", help="Folder of the earlier audit.")],
    after: Annotated[Path, typer.Argument(metavar="DIR", help="Folder of the later audit.")],
    out: Annotated[Path | None, typer.Option(metavar="FILE", help="Also write a page, such as diff.html.")] = None,
    most: Annotated[int, typer.Option(metavar="N", min=1, help="How many figures to name.")] = 20,
) -> None:
    """Tell what differs between two audits, figure by figure, and why: new records, late follow-up, corrections."""
    from textwrap import wrap

    from pipelines.audit_changes import audit_changes

    from ..audit_diff import build_diff, diff_lines, read_figures
    from ..writing import write_report

    one, other = read_figures(before), read_figures(after)
    changes = audit_changes(one, other["meta"], other["figures"])
    for line in diff_lines(changes, most=most):
        for part in wrap(line, 80, subsequent_indent="    ") or [""]:
            say(part)
    if out is not None:
        page = build_diff(changes, str(other["meta"].get("practice", "")))
        (path,) = write_report(out.parent, {out.name: page}, "comparison")
        note(f"The page is in {path}")
