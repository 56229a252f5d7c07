"""The command that fits a model: of the next session, graft survival, complications, scar width or satisfaction."""

from __future__ import annotations

import os
from enum import StrEnum
from pathlib import Path
from textwrap import fill
from typing import Annotated

import typer

from registry.errors import GraftledgerError
from registry.reports import register_report, shown_intake_id
from registry.store import Registry, open_registry

from ._app import AsOfIntakeOption, RegistryOption, command, erased_words, note, say
from ._progress import progress_line


class ModelName(StrEnum):
    """The models there are."""

    NEXT_SESSION = "next-session"
    GRAFT_SURVIVAL = "graft-survival"
    COMPLICATIONS = "complications"
    SCAR_WIDTH = "scar-width"
    SATISFACTION = "satisfaction"


@command("model")
def model(
    name: Annotated[
        ModelName,
        typer.Argument(
            metavar="MODEL", help="next-session, graft-survival, complications, scar-width, or satisfaction."
        ),
    ],
    registry: RegistryOption = Path("."),
    out: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Folder to write to; model-MODEL if left out.")
    ] = None,
    recurrent: Annotated[
        bool, typer.Option("--recurrent", help="next-session: also forms with every session, and with death competing.")
    ] = False,
    of: Annotated[
        str | None, typer.Option("--of", metavar="KIND", help="complications: of which kind, such as infection.")
    ] = None,
    replace: Annotated[bool, typer.Option("--replace", help="Replace a page that is there already.")] = False,
    as_of_intake: AsOfIntakeOption = None,
) -> None:
    """Say with what a next session, graft survival, complications, scars or satisfaction go: a table, and a page."""
    if recurrent and name != ModelName.NEXT_SESSION:
        raise GraftledgerError(f"--recurrent goes with {ModelName.NEXT_SESSION} only.")
    if of is not None and name != ModelName.COMPLICATIONS:
        raise GraftledgerError(f"--of goes with {ModelName.COMPLICATIONS} only.")
    # the matrices are small: on a busy machine, several threads for each cost ten times what they save
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from pipelines import MEASURE_LABELS

    from ..writing import refuse_earlier, write_report

    folder = out if out is not None else Path(f"model-{name}-{of}" if of else f"model-{name}")
    refuse_earlier(folder, ("figures.json",), "page of the model", replace=replace)
    with (
        open_registry(registry, known_measures=tuple(MEASURE_LABELS), as_of_intake=as_of_intake) as opened,
        progress_line() as progress,
    ):
        progress("Fitting the model and checking it")
        files, lines = _built(opened, name, recurrent=recurrent, of=of)
        shown, snapshot, erased = shown_intake_id(opened), opened.snapshot, opened.erased_since
    page, figures = write_report(folder, files, "page of the model", replace=replace)
    for line in lines:
        say(line)
    note(fill(f"The checks, charts and methods are in {page}. Its figures, unrounded: {figures}", 80))
    if erased:
        note(fill(erased_words(erased), 80))
    if refusal := register_report(registry, f"model {name}", None, intake_id=shown, snapshot=snapshot):
        note(fill(f"It was not registered, so that an erasure will not name it: {refusal}", 80))
    therapy = "; therapy marks who was treated" if name == ModelName.NEXT_SESSION else ""
    note(
        fill(
            f"Caution: associations among past patients, not causes{therapy}. No forecast for one patient, no verdict, "
            "no medical advice: decisions rest with licensed clinicians, within local law.",
            80,
        )
    )


def _built(registry: Registry, name: ModelName, *, recurrent: bool, of: str | None) -> tuple[dict[str, str], list[str]]:
    """The files of a model's page, by their names, and its table."""
    if name == ModelName.GRAFT_SURVIVAL:
        from .. import model_graft_survival as page
        from ._graft_model_table import graft_model_lines

        graft = page.build_graft_model_page(registry)
        return {page.PAGE_FILE: graft.html, page.FIGURES_FILE: graft.figures_json}, list(graft_model_lines(graft))
    if name != ModelName.NEXT_SESSION:
        from ._model_complications import session_model

        return session_model(registry, name.value, of)
    from ..model_next_session import FIGURES_FILE, PAGE_FILE, build_model_page
    from ._model_table import model_lines

    document = build_model_page(registry, recurrent=recurrent)
    return {PAGE_FILE: document.html, FIGURES_FILE: document.figures_json}, list(model_lines(document.model))
