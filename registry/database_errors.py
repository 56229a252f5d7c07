"""Errors of the database engine in plain words, without the paths and values that its own texts may hold."""

from __future__ import annotations

import os
import re
from typing import TYPE_CHECKING

from .errors import Fault

if TYPE_CHECKING:
    import duckdb

_FALSE_TAG = "aes tag differs"
"""What the engine says of an encrypted block whose bytes were changed; it says it as of a wrong argument."""

_CAUSES = (
    (
        r"could not set lock|conflicting lock|used by another process|already open in",
        "the registry is in use by another program.",
        "Wait until it has finished, or close it, and try again.",
    ),
    (
        r"wrong encryption key",
        "the key that is given does not open this registry.",
        "Give the key that it was encrypted with; where it is the right one, the file is damaged.",
    ),
    (
        r"crypto module",
        "the database engine cannot write encrypted files here.",
        "See docs/encryption.md.",
    ),
    (
        r"no space left|file too large|quota exceeded|not enough space",
        "the disk is full.",
        "Make room, and try again.",
    ),
    (
        r"permission denied|read-only|access is denied|operation not permitted|cannot open file",
        "the registry may not be opened or written.",
        "Check the permissions of the folder and the files in it.",
    ),
    (
        r"newer version|version number|storage version",
        "the registry was written by a newer version of the database engine.",
        "Update graftledger.",
    ),
    (
        rf"corrupt|checksum|not a valid|could not read|deserializ|{_FALSE_TAG}",
        "this is not a DuckDB database, or it is damaged.",
        "Restore it from a backup; nothing was changed.",
    ),
    (
        r"out of memory",
        "there is not enough memory for this.",
        "Close other programs, or take records in as smaller deliveries.",
    ),
)


def is_from_outside(error: duckdb.Error) -> bool:
    """Whether the disk, the file or the memory is at fault, and not a statement or what it works on."""
    import duckdb

    kinds = duckdb.OperationalError | duckdb.FatalException | duckdb.InternalException
    return type(error) is duckdb.Error or isinstance(error, kinds) or _FALSE_TAG in str(error).lower()


def database_fault(error: duckdb.Error, file: str) -> Fault:
    """What is wrong where the error comes from outside. `file`: what the database is called in the message."""
    text = str(error)
    number = re.search(r'"errno":"(\d+)"', text)  # of a write beside other work, whose words are quoted too
    said = os.strerror(int(number[1])) if number else re.sub(r'"[^"]*"', "", text)  # a path could say anything
    return _fault(said, type(error).__name__, file)


def system_fault(error: OSError, file: str) -> Fault:
    """The same of an error of the system."""
    return _fault(error.strerror or "", type(error).__name__, file)


def _fault(text: str, kind: str, file: str) -> Fault:
    for pattern, what, mend in _CAUSES:
        if re.search(pattern, text.lower()):
            return Fault(what, file, mend=mend)
    return Fault(
        f"the registry could not be used ({kind}).",
        file,
        mend="Check the disk and the permissions; where they are sound, restore the folder from a backup.",
    )
