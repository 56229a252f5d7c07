"""Commands for a registry that is encrypted at rest. No key is ever given on the command line, or printed."""

from __future__ import annotations

from pathlib import Path
from textwrap import fill
from typing import Annotated

import typer

from ._app import RegistryOption, app, command, note, say

group = typer.Typer(
    name="encryption",
    help="Encrypt the registry's database, or make it clear again.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
app.add_typer(group)

_OLD_BLOCKS = (
    "The former file was deleted, not overwritten: its blocks may stay legible on the disk to someone who looks for "
    "them."
)


@command("new-key", group)
def new_key(
    path: Annotated[Path, typer.Argument(metavar="FILE", help="The new file; never overwritten.")],
) -> None:
    """Write a new random key into a file that only you may read."""
    from registry.encryption import KEY_FILE_VARIABLE, make_key_file

    make_key_file(path)
    say(f"A new key is in {path}.")
    _tell(
        f"Set {KEY_FILE_VARIABLE} to its name. Keep a copy in a safe place, apart from the registry and its backups: "
        "without the key nobody can read them again."
    )


@command("on", group)
def on(registry: RegistryOption = Path(".")) -> None:
    """Encrypt a clear registry, under the key that is given."""
    from registry.encrypting import encrypt

    encrypt(registry)
    say(f"The registry in {registry} is encrypted.")
    _tell(f"{_OLD_BLOCKS} Backups, reports and exports that were made before are as clear as they were.")


@command("off", group)
def off(registry: RegistryOption = Path(".")) -> None:
    """Write an encrypted registry clear again."""
    from registry.encrypting import decrypt
    from registry.encryption import KEY_FILE_VARIABLE, KEY_VARIABLE

    decrypt(registry)
    say(f"The registry in {registry} is no longer encrypted.")
    _tell(f"Unset {KEY_FILE_VARIABLE} and {KEY_VARIABLE}: a clear registry is refused while a key is given.")


@command("change-key", group)
def change_key(
    new_key_file: Annotated[Path, typer.Option(metavar="FILE", help="The file with the new key.")],
    registry: RegistryOption = Path("."),
) -> None:
    """Encrypt an encrypted registry under another key."""
    from registry.encrypting import change_key as change
    from registry.encryption import KEY_FILE_VARIABLE

    change(registry, new_key_file)
    say(f"The registry in {registry} has the key of {new_key_file}.")
    _tell(
        f"Set {KEY_FILE_VARIABLE} to its name. Backups made before need the former key: keep it as long as them. "
        f"{_OLD_BLOCKS}"
    )


@command("status", group)
def status(registry: RegistryOption = Path(".")) -> None:
    """Print whether it is encrypted, and whether the key opens it."""
    from registry import open_registry
    from registry.database_file import DATABASE_FILE
    from registry.encryption import is_encrypted, key_given, module_loads
    from registry.store import settings_of

    settings_of(registry)
    encrypted = is_encrypted(registry / DATABASE_FILE)
    say(f"Database: {'encrypted' if encrypted else 'not encrypted'}.")
    say(f"Writing encrypted files: {'possible' if module_loads() else 'not possible'} on this machine.")
    given = key_given() is not None
    say(f"Key: {'given' if given else 'not given'}.")
    if encrypted or given:
        with open_registry(registry):
            say("The key opens the registry.")


def _tell(text: str) -> None:
    note(fill(text, 80))
