"""A clear registry encrypted, an encrypted one made clear, and its key changed: each the whole file at once.

The former file is deleted, not overwritten: its blocks stay on the disk until the system uses them for something else.
"""

from __future__ import annotations

from pathlib import Path

from .database_file import DATABASE_FILE, rewrite
from .encryption import is_encrypted, need_module, needed_key, read_key_file
from .errors import Fault, GraftledgerError
from .store import settings_of


def encrypt(folder: Path) -> None:
    """Encrypt a clear registry under the key that the environment gives.

    Raises: GraftledgerError where it is encrypted already, there is no sound key, the engine cannot encrypt here, or
    as `database_file.rewrite`. Then it is as it was.
    """
    if _is_encrypted(folder):
        raise GraftledgerError(
            Fault("the registry is encrypted already.", DATABASE_FILE, mend="For another key: encryption change-key.")
        )
    key = needed_key()
    need_module()
    rewrite(folder, None, key)


def decrypt(folder: Path) -> None:
    """Make an encrypted registry clear. Raises: GraftledgerError where it is clear, or as `encrypt`."""
    _need_encrypted(folder)
    rewrite(folder, needed_key(), None)


def change_key(folder: Path, new_key_file: Path) -> None:
    """Encrypt an encrypted registry under the key in a file. Raises: GraftledgerError as `decrypt`."""
    _need_encrypted(folder)
    now, then = needed_key(), read_key_file(new_key_file)
    if now == then:
        raise GraftledgerError(
            Fault(
                "this is the key that the registry has.",
                str(new_key_file),
                mend="Make another with: graftledger encryption new-key FILE.",
            )
        )
    need_module()
    rewrite(folder, now, then)


def _need_encrypted(folder: Path) -> None:
    if not _is_encrypted(folder):
        raise GraftledgerError(
            Fault("the registry is not encrypted.", DATABASE_FILE, mend="Encrypt it with: graftledger encryption on.")
        )


def _is_encrypted(folder: Path) -> bool:
    settings_of(folder)  # refuses a folder that holds no registry
    return is_encrypted(folder / DATABASE_FILE)
