"""Records as Parquet files by site and year, for engines that read those."""

from __future__ import annotations

from pathlib import Path
from textwrap import fill
from typing import Annotated

import typer

from registry.store import open_registry

from ._app import RegistryOption, command, note, say


@command("write-parquet")
def write_parquet(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="The new folder, such as records/north.")],
    registry: RegistryOption = Path("."),
) -> None:
    """Write all records as Parquet files by site and year; figures and counts can be made of the folder."""
    from registry.parquet_records import write_parquet_records

    with open_registry(registry) as opened:
        written, snapshot = write_parquet_records(opened, folder), opened.snapshot
    say(f"{folder}: {sum(written.values()):,} records, snapshot {snapshot}.")
    note(
        fill(
            "These are records, not counts: pseudonyms and dates in the clear, for you alone to read. Keep them on an "
            "encrypted disk, and share them only where records may go. The registry does not note them: a patient "
            "erased later stays in them until you remove the folder and write it anew.",
            80,
        )
    )
