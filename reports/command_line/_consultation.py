"""The command that writes the sheet for the next consultation."""

from __future__ import annotations

from pathlib import Path
from textwrap import fill
from typing import Annotated

import typer

from registry.errors import GraftledgerError
from registry.reports import register_report, shown_intake_id
from registry.store import open_registry

from ._app import RegistryOption, command, note, say
from ._progress import progress_line


@command("consultation-sheet")
def consultation_sheet(
    age: Annotated[int | None, typer.Option("--age", metavar="YEARS", help="Age at the first surgery.")] = None,
    sex: Annotated[str, typer.Option("--sex", metavar="CODE", help="Such as female.")] = "",
    scale: Annotated[str, typer.Option("--scale", metavar="CODE", help="Such as norwood_hamilton.")] = "",
    stage: Annotated[
        str, typer.Option("--stage", metavar="CODE", help="Stage on that scale, such as III_vertex.")
    ] = "",
    technique: Annotated[str, typer.Option("--technique", metavar="CODE", help="Such as strip.")] = "",
    grafts: Annotated[int | None, typer.Option("--grafts", metavar="N", help="Grafts planned for the session.")] = None,
    patient: Annotated[
        str, typer.Option("--patient", metavar="KEY", help="Take what is not given from this patient's record.")
    ] = "",
    registry: RegistryOption = Path("."),
    out: Annotated[
        Path | None, typer.Option("--out", metavar="DIR", help="Also write the sheet as a page, and in print.")
    ] = None,
    paper: Annotated[str, typer.Option(metavar="NAME", help="Paper of the PDF: a4 or letter.")] = "a4",
    replace: Annotated[bool, typer.Option("--replace", help="Replace a sheet that is there already.")] = False,
) -> None:
    """Say what happened to past patients like the one in front of you: a further session, healing, growth."""
    if bool(scale) != bool(stage):
        raise GraftledgerError("Give --scale and --stage together: a stage means something on its scale alone.")
    if age is None and not patient:
        raise GraftledgerError("Give --age, or --patient to take it from a record.")

    from pipelines import MEASURE_LABELS
    from pipelines.consultation import Profile, profile_of

    from ..consultation import CAUTION, FIGURES_FILE, PRINT_FILE, SHEET_FILE, TOPICS, basis_words, build_sheet, lines_of
    from ..writing import write_report

    with open_registry(registry, known_measures=tuple(MEASURE_LABELS)) as opened, progress_line() as progress:
        recorded = profile_of(opened, patient, age) if patient else Profile(age or 0)
        profile = Profile(
            recorded.age_years,
            sex or recorded.sex,
            f"{scale} {stage}" if stage else recorded.stage,
            technique or recorded.technique,
            grafts,
        )
        sheet = build_sheet(opened, profile, progress=progress)
        shown, snapshot = shown_intake_id(opened), opened.snapshot
    for topic in sheet.topics:
        say(TOPICS[topic.name])
        for line in lines_of(topic):
            say(fill(f"{line.label}: {line.words}", 80, initial_indent="  ", subsequent_indent="      "))
        say(fill(" ".join(basis_words(topic)), 80, initial_indent="  ", subsequent_indent="  "))
        say()
    if out is not None:
        files: dict[str, str | bytes] = {
            SHEET_FILE: sheet.html,
            PRINT_FILE: sheet.pdf(paper),
            FIGURES_FILE: sheet.figures_json,
        }
        page, printed, _ = write_report(out, files, "consultation sheet", replace=replace)
        note(f"The sheet is in {page}")
        note(f"To print, on one page: {printed}")
        if refusal := register_report(registry, "consultation sheet", None, intake_id=shown, snapshot=snapshot):
            note(fill(f"It was not registered, so that an erasure will not name it: {refusal}", 80))
    note(fill(CAUTION, 80))
