"""Signed audits: the files as they were signed, kept apart, with the SHA-256 of each."""

from __future__ import annotations

import json
import os
import secrets
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from hashlib import file_digest
from pathlib import Path

from registry.errors import Fault, GraftledgerError

from .state import PAGES_FOLDER, open_state, private_folder, stamp, writing

SIGNED_FOLDER = "signed"


@dataclass(frozen=True)
class Signature:
    """A signature. files: SHA-256 by name. changed: names of files that are no longer what was signed."""

    quarter: str
    signed_by: str
    signed_at: str
    snapshot: str
    files: Mapping[str, str]
    folder: Path
    changed: tuple[str, ...]


def signature_of(folder: Path, quarter: str) -> Signature | None:
    """The signature of a quarter, its files held against their hashes; None while it is not signed."""
    with open_state(folder) as state:
        row = state.execute("select * from signatures where quarter = ?", [quarter]).fetchone()
    if row is None:
        return None
    files, kept = json.loads(row["files"]), folder / PAGES_FOLDER / SIGNED_FOLDER / quarter
    changed = tuple(name for name, wanted in files.items() if _hash_of(kept / name) != wanted)
    return Signature(quarter, row["signed_by"], row["signed_at"], row["snapshot"], files, kept, changed)


def signed_quarters(folder: Path) -> dict[str, tuple[str, str]]:
    """By whom and when, by quarter."""
    with open_state(folder) as state:
        rows = state.execute("select quarter, signed_by, signed_at from signatures").fetchall()
        return {row["quarter"]: (row["signed_by"], row["signed_at"]) for row in rows}


def refuse_signed(folder: Path, quarter: str) -> None:
    """Raises: GraftledgerError where the quarter is signed: then nothing about its audit changes any more."""
    if quarter in signed_quarters(folder):
        raise GraftledgerError(
            Fault(
                f"The audit of {quarter} is signed, and locked.",
                mend="Say what has to be said since then in the audit of the next quarter.",
            )
        )


def sign(folder: Path, quarter: str, made_in: Path, names: Sequence[str], *, signed_by: str, snapshot: str) -> None:
    """Keep the files as they are and write down their hashes, who signed and when. A quarter is signed once.

    made_in: folder with the files. Raises: GraftledgerError where the quarter is signed already or a file is gone.
    """
    refuse_signed(folder, quarter)
    kept = private_folder(folder / PAGES_FOLDER / SIGNED_FOLDER) / quarter
    unfinished = private_folder(kept.with_name(f".unfinished-{secrets.token_hex(8)}"))
    try:
        for name in names:
            shutil.copyfile(made_in / name, unfinished / name)
            os.chmod(unfinished / name, 0o400)
    except OSError as error:
        shutil.rmtree(unfinished, ignore_errors=True)
        raise GraftledgerError(
            Fault(f"the files could not be kept ({(error.strerror or 'error').lower()}).", mend="Prepare it again.")
        ) from None
    files = {name: _hash_of(unfinished / name) for name in names}
    with writing(folder) as state:
        if state.execute("select 1 from signatures where quarter = ?", [quarter]).fetchone():
            shutil.rmtree(unfinished)
            raise GraftledgerError(f"The audit of {quarter} is signed already.")
        shutil.rmtree(kept, ignore_errors=True)  # of an attempt that ended before its line was written
        os.replace(unfinished, kept)
        state.execute(
            "insert into signatures values (?, ?, ?, ?, ?)",
            [quarter, signed_by, stamp(), snapshot, json.dumps(files)],
        )


def _hash_of(path: Path) -> str:
    """Empty where there is no such file."""
    try:
        with path.open("rb") as file:
            return file_digest(file, "sha256").hexdigest()
    except OSError:
        return ""
