"""Writing an audit: both files or neither, and nothing over an audit that is there already."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from registry import Fault, GraftledgerError

PAGE_FILE, FIGURES_FILE = "audit.html", "figures.json"


def write_audit(folder: Path, html: str, figures_json: str, *, replace: bool = False) -> tuple[Path, Path]:
    """Write the page and its figures into a folder, which is made where it is missing. Returns their paths.

    replace: whether files of an earlier audit may be replaced.
    Raises: GraftledgerError where an audit is there already or the folder cannot be written. Then it is as before.
    """
    targets = (folder / PAGE_FILE, folder / FIGURES_FILE)
    present = [path for path in targets if path.is_dir() or (path.exists() and not replace)]
    if present:
        names = " and ".join(path.name for path in present)
        raise GraftledgerError(
            Fault(
                f"{names} of an earlier audit would be overwritten.",
                str(folder),
                mend="Choose another folder with --out, or add --replace.",
            )
        )
    written: list[Path] = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for text in (html, figures_json):
            written.append(_beside(folder, text))
        for temporary, target in zip(written, targets, strict=True):
            os.replace(temporary, target)
    except OSError as error:
        for path in written:
            path.unlink(missing_ok=True)
        raise GraftledgerError(
            Fault(
                f"the audit could not be written ({(error.strerror or 'error').lower()}).",
                str(folder),
                mend="Is the folder writable?",
            )
        ) from None
    return targets


def _beside(folder: Path, text: str) -> Path:
    """A finished temporary file in the same folder, so that the final step is a rename."""
    handle, name = tempfile.mkstemp(prefix=".unfinished-", dir=folder)
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
    return Path(name)
