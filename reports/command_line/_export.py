"""Commands that let a cohort out for research, and that list what was let out."""

from __future__ import annotations

from pathlib import Path
from textwrap import fill
from typing import Annotated

import typer

from ._app import RegistryOption, app, command, note, say
from ._intake import ReceivedByOption, login
from ._progress import progress_line
from ._setup import split_codes

group = typer.Typer(
    name="exports",
    help="What left the registry for research.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
app.add_typer(group)


@command("export")
def export(
    name: Annotated[str, typer.Argument(metavar="COHORT", help="Name of the cohort.")],
    out: Annotated[Path, typer.Option(metavar="DIR", help="New folder to write to.")],
    level: Annotated[
        str, typer.Option(metavar="internal|limited|anonymous", help="How far it may travel; there is no default.")
    ] = "",
    formats: Annotated[str, typer.Option(metavar="csv,parquet,dta,sav,xpt", help="Formats beside CSV.")] = "csv",
    seed: Annotated[
        int | None, typer.Option(metavar="N", help="Make keys that can be made again; keep the number secret.")
    ] = None,
    k: Annotated[int, typer.Option("--k", metavar="N", help="Patients who must be alike, level anonymous.")] = 11,
    without_sites: Annotated[
        bool, typer.Option("--without-sites", help="Leave out the codes of sites and people.")
    ] = False,
    version: Annotated[
        int | None, typer.Option(metavar="N", help="An earlier version of the cohort; the last if left out.")
    ] = None,
    registry: RegistryOption = Path("."),
    received_by: ReceivedByOption = None,
) -> None:
    """Write a cohort's tables, as safe to share as the level says, and note it in the ledger."""
    from pipelines.exports import export_cohort, formats_named, let_out, level_named

    from ..cohort import cohort_svg

    asked, chosen = level_named(level), formats_named(split_codes(formats))
    with let_out(registry, out) as (opened, folder), progress_line() as progress:
        done = export_cohort(
            opened,
            name,
            folder,
            level=asked,
            formats=chosen,
            seed=seed,
            k=k,
            with_sites=not without_sites,
            version=version,
            exported_by=received_by or login(),
            drawn=lambda cohort, flow: cohort_svg(cohort, flow, opened.snapshot),
            progress=progress,
        )
    report = done.report
    say(f"Export {done.export_id}: cohort {done.cohort.name}, version {done.cohort.version}, level {done.level}.")
    for table, n in done.rows.items():
        say(f"  {table:<15}{n:>11,} rows")
    if done.level == "anonymous":
        say(
            fill(
                f"k = {report.k}: every patient is alike to {report.after.smallest - 1:,} others or more in what "
                f"somebody outside may know. Patients left out for it: {report.left_out:,}.",
                80,
            )
        )
    say(f"The files are in {out}")
    for caution in _CAUTIONS[done.level]:
        note(fill(caution, 80))


_CAUTIONS = {
    "internal": ["Level internal: keys, dates and rare answers as they are. It must not leave the practice."],
    "limited": [
        "Level limited: dates and rare answers as they are, so patients can be recognised. Only under an agreement; "
        "fill in TERMS.md first."
    ],
    "anonymous": [
        "Read disclosure.md before you pass it on: it says what was changed and what risk is left. Two exports of one "
        "cohort can tell more together than each by itself. This is no legal advice."
    ],
}


@command("list", group)
def list_(
    registry: RegistryOption = Path("."),
    files: Annotated[bool, typer.Option("--files", help="Also print the hash of every file.")] = False,
) -> None:
    """Print who exported what, when, at which level and from which snapshot."""
    from pipelines.exports import list_exports
    from registry import open_registry

    with open_registry(registry) as opened:
        found = list_exports(opened)
    if not found:
        say("Nothing has been exported yet.")
        return
    say(f"{'no.':>5} {'when (UTC)':<17}{'by':<10}{'cohort':<15}{'level':<10}{'patients':>8}  {'snapshot'}")
    for line in found:
        cohort = f"{line.cohort[:11]} {line.cohort_version}"
        say(
            f"{line.export_id:>5} {line.exported_at:%Y-%m-%d %H:%M} {line.exported_by[:9]:<10}{cohort:<15}"
            f"{line.level:<10}{line.patients:>8,}  {line.snapshot[:12]}"
        )
        if files:
            for name, sha256 in line.files.items():
                say(f"      {sha256}  {name}")
