"""The demonstration: a fictional practice from synthetic records to the audit, in one folder."""

from __future__ import annotations

import shutil
from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from registry.errors import Fault, GraftledgerError
from registry.store import start_registry

from ._app import command, say

MARKER = ".graftledger-demo"
PRACTICE = "Lantern Bay Practice (fictional)"
QUARTER = "2026-Q3"
RECEIVED = datetime(2026, 10, 15)
"""Day of the fictional delivery; the records do not depend on the clock of the machine."""


def prepare_folder(folder: Path) -> None:
    """An empty folder that carries the demonstration's mark; only a former demonstration is replaced.

    Raises: GraftledgerError where the folder holds anything else.
    """
    if folder.exists() and any(folder.iterdir()) and not (folder / MARKER).exists():
        raise GraftledgerError(
            Fault("the folder is not empty, and no former demonstration.", str(folder), mend="Choose another folder.")
        )
    if folder.exists():
        shutil.rmtree(folder)
    folder.mkdir(parents=True)
    (folder / MARKER).write_text("Made by graftledger demo; replaced by the next one.\n", encoding="utf-8")


@command("demo")
def demo(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder for the demonstration.")] = Path("demo"),
    patients: Annotated[int, typer.Option(min=1, help="How many fictional patients.")] = 5000,
    seed: Annotated[int, typer.Option(help="Seed of the generator; the same seed gives the same records.")] = 1,
) -> None:
    """Show everything on fictional records: synthesise, take in, compute figures, write the audit."""
    from ._audit import audit
    from ._figures import figures
    from ._intake import intake
    from ._intake_report import write_page
    from ._synthesise import synthesise

    prepare_folder(folder)
    sites, registry = folder / "from_the_sites", folder / "registry"

    say(f"1. Fictional records of {patients:,} patients, 1% of the rows spoilt on purpose")
    synthesise(patients=patients, seed=seed, out=sites, errors=0.01)
    from synthetic_data import SITES, SURGEONS
    from synthetic_data.messy_exports import MESSY_SITES

    say("\n2. A new registry")
    start_registry(registry, list(SITES), list(SURGEONS), PRACTICE)
    say(f"Made in {registry}.")

    say("\n3. Two sites export from systems of their own: a workbook and text files, each with its mapping")
    own_layout, exports = [], {}
    for site in SITES:
        if site not in MESSY_SITES:
            own_layout.append(sites / site)
        elif any((sites / site).iterdir()):
            exports[site] = _messy_export(sites / site, folder / "exports" / site, registry)
            say(f"{site}: {exports[site]}, mapped by {registry / 'mappings' / f'{site}.toml'}")

    say("\n4. Intake: every row is checked, the sound ones are loaded")
    own_folders = [path for path in own_layout if path.is_dir()]
    intake(own_folders, registry=registry, received_by="demo", today=RECEIVED)
    for site, export in exports.items():
        say(f"\n   Site {site}, in its own columns")
        intake([export], registry=registry, site=site, received_by="demo", today=RECEIVED)
    reports = [write_page(registry, number, folder / "intakes" / str(number)) for number in range(1, len(exports) + 2)]
    say(f"\n   A page for each intake: {reports[0]} and so on")

    say("\n5. Figures")
    for measure in ("time-to-next-session", "complications", "graft-survival"):
        say()
        figures(measure, registry=registry)

    say("\n6. The quarterly audit")
    audit(QUARTER, registry=registry, out=folder / "audit")

    say("\nLook at:")
    say(f"  the audit      {folder / 'audit' / 'audit.html'}  (open it in a browser)")
    say(f"  to sign        {folder / 'audit' / 'audit.pdf'}")
    say(f"  its figures    {folder / 'audit' / 'figures.json'}  (and tables.xlsx)")
    say(f"  the intakes    {reports[-1]}")
    say(f"  the mistakes   {sites / 'planted_errors.csv'}  (and: graftledger held-back list --registry {registry})")
    say(f"  the truth      {sites / 'truth.json'}")
    say(f"Ask for more:    graftledger figures graft-survival --by technique --registry {registry}")


def _messy_export(records: Path, export: Path, registry: Path) -> Path:
    """A site's records as its own system would export them. Its mapping is put into the registry's folder."""
    import polars as pl

    from registry.definition import RECORD_TYPES
    from synthetic_data.messy_exports import mapping_text, write_messy_export

    frames = {}
    for record in RECORD_TYPES:
        path = records / f"{record.name}.csv"
        empty = pl.DataFrame(schema=dict.fromkeys(record.field_names, pl.String))
        frames[record.name] = pl.read_csv(path, infer_schema=False) if path.exists() else empty
    export.mkdir(parents=True)
    write_messy_export(records.name, frames, export)
    mapping = registry / "mappings" / f"{records.name}.toml"
    mapping.parent.mkdir(exist_ok=True)
    mapping.write_text(mapping_text(records.name), encoding="utf-8")
    return export
