"""The command that writes fictional clinics with a known truth."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from ._app import command, note, say
from ._progress import progress_line


@command("synthesise")
def synthesise(
    patients: Annotated[int, typer.Option(help="How many fictional patients.")],
    out: Annotated[Path, typer.Option(metavar="DIR", help="New or empty folder to write to.")],
    seed: Annotated[int, typer.Option(help="Seed of the generator; the same seed gives the same records.")] = 1,
    errors: Annotated[
        float, typer.Option(metavar="SHARE", help="Share of the rows, from 0 to 1, in which to plant a mistake.")
    ] = 0.0,
) -> None:
    """Write the records of fictional clinics, with the truth behind them."""
    import synthetic_data

    with progress_line() as progress:
        made = synthetic_data.synthesise(out, patients=patients, seed=seed, errors=errors, progress=progress)
    say(f"The records of {patients:,} fictional patients, complete to {made.data_date}, are in {made.folder}.")
    for record, rows in made.rows.items():
        say(f"  {record:<13}{rows:>10,} rows")
    say("The truth behind them: truth.json. All values are invented; none says anything about real surgery.")
    if errors > 0.0:
        say(f"Rows with a planted mistake: {made.planted:,}, listed in planted_errors.csv.")
    folders = " ".join(str(made.folder / site) for site in made.sites)
    note(
        f"Next: graftledger start REGISTRY --sites {','.join(made.sites)} --surgeons {','.join(made.surgeons)}\n"
        f"then: graftledger intake {folders} --registry REGISTRY"
    )
