"""Commands that make a registry and describe its records."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from registry.store import start_registry

from ._app import command, note, say


def split_codes(text: str) -> list[str]:
    """Codes written with commas between them."""
    return [code.strip() for code in text.split(",") if code.strip()]


@command("start")
def start(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder to make the registry in.")],
    sites: Annotated[str, typer.Option(help="Codes of the sites, such as A,B.")],
    surgeons: Annotated[str, typer.Option(help="Codes of the surgeons, such as S1,S2.")],
    practice: Annotated[str, typer.Option(help="Name of the practice, printed on reports.")] = "Our practice",
    encrypted: Annotated[
        bool, typer.Option("--encrypted", help="Encrypt the database; see graftledger encryption new-key.")
    ] = False,
) -> None:
    """Make a registry: a database and a settings file."""
    start_registry(folder, split_codes(sites), split_codes(surgeons), practice, encrypted=encrypted)
    say(f"A new registry is in {folder}{', encrypted' if encrypted else ''}.")
    note(f"Settings: {folder / 'settings.toml'}. Next: graftledger intake FILE... --registry {folder}")


@command("templates")
def templates(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder to write to.")],
) -> None:
    """Write empty CSV files with the header of each record type."""
    from registry.templates import write_templates

    for path in write_templates(folder):
        say(str(path))


@command("dictionary")
def dictionary(
    out: Annotated[Path | None, typer.Option(metavar="FILE", help="Write to a file instead of the screen.")] = None,
) -> None:
    """Print the data dictionary as Markdown."""
    from registry.dictionary import dictionary_markdown

    text = dictionary_markdown()
    if out is None:
        say(text.rstrip())
    else:
        out.write_text(text, encoding="utf-8")
        say(str(out))
