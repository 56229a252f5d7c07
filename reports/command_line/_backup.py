"""Commands that keep a registry safe: into one file, and back."""

from __future__ import annotations

from pathlib import Path
from textwrap import fill
from typing import Annotated

import typer

from ._app import RegistryOption, command, note, say
from ._progress import progress_line


@command("backup")
def backup(
    path: Annotated[Path, typer.Argument(metavar="FILE", help="The new file, such as 2026-11-28.tar.")],
    registry: RegistryOption = Path("."),
) -> None:
    """Write the whole registry into one file, with checksums."""
    from registry.backup import back_up

    with progress_line() as progress:
        made = back_up(registry, path, progress)
    say(f"{made.path}: {sum(made.files.values()) / 2**20:,.1f} MiB, {len(made.files)} files, snapshot {made.snapshot}.")
    erased_later = "A patient erased later stays in it until you delete it."
    if made.encrypted:
        kept = "The database in it is encrypted under the registry's key: keep that key, and keep it elsewhere."
    else:
        kept = "It holds pseudonyms and dates in the clear: keep it on an encrypted disk, elsewhere."
    note(fill(f"It holds everything that the registry holds. {kept} {erased_later}", 80))


@command("restore")
def restore(
    path: Annotated[Path, typer.Argument(metavar="FILE", help="A file that backup wrote.")],
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="The new registry folder.")],
) -> None:
    """Make a registry folder of a backup, once every checksum and the registry itself are sound."""
    from registry.backup import restore as restore_registry

    with progress_line() as progress:
        made = restore_registry(path, out, progress)
    say(f"{made.path}: sound, snapshot {made.snapshot}, as of intake {made.intake_id}.")
    note(
        fill(
            "Whatever came after that intake is not in it. A patient who was erased since is back: erase again. "
            "Deliveries since then may be taken in again.",
            80,
        )
    )
