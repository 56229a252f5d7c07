"""The database encrypted at rest: where its key comes from, and whether the engine can write with it.

The engine encrypts blocks, log and spilled data with AES in Galois/counter mode, which also tells of bytes that were
changed. To write, it needs the crypto module that comes with its httpfs extension; the one built in only reads. The
module is loaded where it is installed on this machine, never fetched. The engine makes its own key from ours by one
salted SHA-256 (DuckDB, src/common/encryption_key_manager.cpp), so that a passphrase could be guessed at great speed: a
key must be long and random.
"""

from __future__ import annotations

import os
import secrets
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from .errors import Fault, GraftledgerError
from .private_files import read_private_line, write_private

if TYPE_CHECKING:
    import duckdb

KEY_FILE_VARIABLE = "GRAFTLEDGER_KEY_FILE"
KEY_VARIABLE = "GRAFTLEDGER_KEY"
SHORTEST_KEY = 32
"""Characters: as hexadecimal digits 128 bits (common practice, no source)."""
_FEWEST_DIFFERENT = 8
CIPHER = "GCM"
_MAGIC, _MAGIC_AT, _FLAGS_AT, _ENCRYPTED_FLAG = b"DUCK", 8, 20, 1
_NEW_KEY = "Make one with: graftledger encryption new-key FILE."
_SET_IT = f"Set {KEY_FILE_VARIABLE} to the file that holds it."
_NETWORK = "HTTPFileSystem,S3FileSystem,HuggingFaceFileSystem"


@dataclass(frozen=True)
class Key:
    """The secret that opens a database. Never printed."""

    text: str = field(repr=False)


def make_key_file(path: Path) -> None:
    """Write a new random key of 256 bits into a new file that only its owner may read.

    Raises: GraftledgerError where the file exists already or cannot be written.
    """
    write_private(path, lambda file: file.write(secrets.token_hex(32).encode() + b"\n"))


def read_key_file(path: Path) -> Key:
    """The key of a file. Raises: GraftledgerError where it is missing, open to others, or holds no sound key."""
    return _checked(read_private_line(path, "key"), str(path))


def key_given() -> Key | None:
    """The key that the environment gives; None where it gives none.

    Raises: GraftledgerError where it gives two, or where a key is short or its file is missing or open to others. What
    a variable holds is not repeated unless it is the name of a file: it could be a key in the wrong place.
    """
    name, text = os.environ.get(KEY_FILE_VARIABLE), os.environ.get(KEY_VARIABLE)
    if name and text:
        raise _refused("both give a key.", f"{KEY_FILE_VARIABLE} and {KEY_VARIABLE}", "Keep one of them.")
    if name:
        if not os.path.isfile(name):
            raise _refused("there is no such file.", KEY_FILE_VARIABLE, "It must name the file that holds the key.")
        return read_key_file(Path(name))
    return _checked(text.strip(), KEY_VARIABLE) if text else None


def needed_key() -> Key:
    """The key that the environment gives. Raises: GraftledgerError where it gives none, or none that is sound."""
    key = key_given()
    if key is None:
        raise _refused("an encrypted registry needs a key.", KEY_FILE_VARIABLE, f"{_SET_IT} {_NEW_KEY}")
    return key


def key_for(database: Path) -> Key | None:
    """The key that opens a database; None where it is clear. Whether it is the right one the engine will tell.

    Raises: GraftledgerError where the database is encrypted and no key is given, or the other way round: whoever gives
    a key believes the records to be encrypted.
    """
    key = key_given()
    if is_encrypted(database):
        if key is None:
            raise _refused("the registry is encrypted, and no key is given.", database.name, _SET_IT)
        return key
    if key is not None and database.exists():
        raise _refused(
            "a key is given, but the registry is not encrypted.",
            database.name,
            f"Encrypt it with: graftledger encryption on; or unset {KEY_FILE_VARIABLE} and {KEY_VARIABLE}.",
        )
    return None


def is_encrypted(database: Path) -> bool:
    """Whether the header of a database file, which is always clear, says so; False where it cannot be read."""
    try:
        with database.open("rb") as file:
            header = file.read(_FLAGS_AT + 8)
    except OSError:
        return False
    magic = header[_MAGIC_AT : _MAGIC_AT + len(_MAGIC)]
    return magic == _MAGIC and bool(int.from_bytes(header[_FLAGS_AT:], "little") & _ENCRYPTED_FLAG)


def module_loads() -> bool:
    """Whether the engine can write encrypted files on this machine."""
    import duckdb

    with duckdb.connect(config={"autoinstall_known_extensions": False}) as connection:
        return _load(connection)


def need_module() -> None:
    """Raises: GraftledgerError where the engine cannot write encrypted files on this machine."""
    if not module_loads():
        raise _no_module()


def prepare(connection: duckdb.DuckDBPyConnection, *, read_only: bool) -> None:
    """Make a connection fit for an encrypted database: the module, spilled data encrypted, and no network.

    Without the module a database can be read, and nothing is spilled. Raises: GraftledgerError where it would be
    written without.
    """
    if _load(connection):
        connection.execute("set temp_file_encryption = true")
        connection.execute(f"set disabled_filesystems = '{_NETWORK}'")  # the extension brings them along
    elif read_only:
        connection.execute("set temp_directory = ''")
    else:
        raise _no_module()


def _load(connection: duckdb.DuckDBPyConnection) -> bool:
    import duckdb

    try:
        connection.execute("load httpfs")  # never installs, and refuses one whose signature is not the maker's
    except duckdb.Error:
        return False
    return True


def _checked(text: str, where: str) -> Key:
    if len(text) < SHORTEST_KEY:
        raise _refused(f"the key has fewer than {SHORTEST_KEY} characters.", where, _NEW_KEY)
    if not (text.isascii() and text.isprintable()):
        raise _refused("the key has characters other than plain letters, digits and signs.", where, _NEW_KEY)
    if len(set(text)) < _FEWEST_DIFFERENT:
        raise _refused("the key repeats a few characters.", where, _NEW_KEY)
    return Key(text)


def _no_module() -> GraftledgerError:
    import duckdb

    return _refused(
        f"DuckDB {duckdb.__version__} cannot write encrypted files here: its extension httpfs is not installed.",
        None,
        "See docs/encryption.md on how to install it, or keep a clear registry on an encrypted disk.",
    )


def _refused(what: str, where: str | None, mend: str) -> GraftledgerError:
    return GraftledgerError(Fault(what, where, mend=mend))
