"""The command that fits a model: who has a next session sooner."""

from __future__ import annotations

import os
from enum import StrEnum
from pathlib import Path
from textwrap import fill
from typing import Annotated

import typer

from registry.reports import register_report, shown_intake_id
from registry.store import open_registry

from ._app import AsOfIntakeOption, RegistryOption, command, erased_words, note, say


class ModelName(StrEnum):
    """The models there are."""

    NEXT_SESSION = "next-session"


@command("model")
def model(
    name: Annotated[ModelName, typer.Argument(metavar="MODEL", help="next-session.")],
    registry: RegistryOption = Path("."),
    out: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Folder to write to; model-next-session if left out.")
    ] = None,
    recurrent: Annotated[
        bool, typer.Option("--recurrent", help="Also fit forms that use every session, and one with death competing.")
    ] = False,
    replace: Annotated[bool, typer.Option("--replace", help="Replace a page that is there already.")] = False,
    as_of_intake: AsOfIntakeOption = None,
) -> None:
    """Say who has a next session sooner: a table here, and a page with the checks."""
    # the matrices are small: on a busy machine, several threads for each cost ten times what they save
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from pipelines import MEASURE_LABELS

    from ..model_next_session import FIGURES_FILE, PAGE_FILE, build_model_page
    from ..writing import write_report
    from ._model_table import model_lines

    folder = out if out is not None else Path(f"model-{name}")
    with open_registry(registry, known_measures=tuple(MEASURE_LABELS), as_of_intake=as_of_intake) as opened:
        document = build_model_page(opened, recurrent=recurrent)
        shown, snapshot, erased = shown_intake_id(opened), opened.snapshot, opened.erased_since
    files = {PAGE_FILE: document.html, FIGURES_FILE: document.figures_json}
    page, figures = write_report(folder, files, "page of the model", replace=replace)
    for line in model_lines(document.model):
        say(line)
    note(fill(f"The checks, charts and methods are in {page}. Its figures, unrounded: {figures}", 80))
    if erased:
        note(fill(erased_words(erased), 80))
    if refusal := register_report(registry, f"model {name}", None, intake_id=shown, snapshot=snapshot):
        note(fill(f"It was not registered, so that an erasure will not name it: {refusal}", 80))
    note(
        fill(
            "Caution: associations among past patients, not causes; therapy marks who was treated. No forecast for one "
            "patient, no verdict, no medical advice: decisions rest with licensed clinicians, within local law.",
            80,
        )
    )
