"""Files that others must not read: keys, passphrases, and what is made with them."""

from __future__ import annotations

import os
import stat
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import IO

from .errors import Fault, GraftledgerError

_MOST_BYTES = 4096


def read_private_line(path: Path, what: str) -> str:
    """The one line of a file that only its owner may read. what: what it holds, for messages.

    Raises: GraftledgerError where it is missing, empty, longer than a line, no text, or open to others (POSIX).
    """
    try:
        with path.open("rb") as file:
            mode = os.fstat(file.fileno()).st_mode
            content = file.read(_MOST_BYTES + 1)
    except OSError as error:
        raise _refused(f"the {what} cannot be read ({_reason(error)}).", path) from None
    if os.name == "posix" and stat.S_IMODE(mode) & 0o077:
        raise _refused(f"other users of this machine may read the {what}.", path, f"Run: chmod 600 '{path}'")
    try:
        line = content.decode("ascii" if what == "key" else "utf-8").strip()
    except UnicodeDecodeError:
        line = ""
    if not line or "\n" in line or len(content) > _MOST_BYTES:
        raise _refused(f"the file does not hold one line with a {what}.", path)
    return line


def check_new(path: Path) -> None:
    """Raises: GraftledgerError where a file would be overwritten or its folder is missing."""
    if path.exists() or path.is_symlink():
        raise _refused("the file exists already, and is not overwritten.", path, "Choose another name.")
    if not path.absolute().parent.is_dir():
        raise _refused("its folder does not exist.", path, "Make the folder first.")


def write_private(path: Path, write: Callable[[IO[bytes]], object]) -> None:
    """Write a new file that only its owner may read: whole, or not at all.

    Raises: GraftledgerError where it exists already or cannot be written.
    """
    check_new(path)
    unfinished: str | None = None
    try:
        handle, unfinished = tempfile.mkstemp(
            prefix=".unfinished-", dir=path.absolute().parent
        )  # readable by its owner
        with os.fdopen(handle, "wb") as file:
            write(file)
            file.flush()
            os.fsync(file.fileno())
        check_new(path)
        os.replace(unfinished, path)
        unfinished = None
    except OSError as error:
        raise _refused(f"the file cannot be written ({_reason(error)}).", path) from None
    finally:
        if unfinished is not None:
            Path(unfinished).unlink(missing_ok=True)


def _reason(error: OSError) -> str:
    return (error.strerror or "error").lower()


def _refused(what: str, path: Path, mend: str | None = None) -> GraftledgerError:
    return GraftledgerError(Fault(what, str(path), mend=mend))
