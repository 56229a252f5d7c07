"""Writing a report: all of its files or none, and nothing over a report that is there already."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path

from registry import Fault, GraftledgerError


def write_report(
    folder: Path, files: Mapping[str, str | bytes], kind: str, *, replace: bool = False
) -> tuple[Path, ...]:
    """Write the files of a report into a folder, which is made where it is missing. Returns their paths.

    files: text or bytes by name. kind: what to call the report in a message. replace: whether an earlier one may be
    replaced.
    Raises: GraftledgerError where a file is there already or the folder cannot be written. Then it is as before.
    """
    refuse_earlier(folder, tuple(files), kind, replace=replace)
    targets = tuple(folder / name for name in files)
    written: list[Path] = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for content in files.values():
            written.append(_beside(folder, content.encode("utf-8") if isinstance(content, str) else content))
        for temporary, target in zip(written, targets, strict=True):
            os.replace(temporary, target)
    except OSError as error:
        for path in written:
            path.unlink(missing_ok=True)
        raise GraftledgerError(
            Fault(
                f"the {kind} could not be written ({(error.strerror or 'error').lower()}).",
                str(folder),
                mend="Is the folder writable?",
            )
        ) from None
    return targets


def refuse_earlier(folder: Path, names: Sequence[str], kind: str, *, replace: bool) -> None:
    """Refuse, before minutes of work, a folder in which files of an earlier report stand in the way.

    Arguments: as `write_report`. Raises: GraftledgerError naming them.
    """
    targets = [folder / name for name in names]
    if present := [path.name for path in targets if path.is_dir() or (path.exists() and not replace)]:
        raise GraftledgerError(
            Fault(
                f"{' and '.join(present)} of an earlier {kind} would be overwritten.",
                str(folder),
                mend="Choose another folder with --out, or add --replace.",
            )
        )


def _beside(folder: Path, content: bytes) -> Path:
    """A finished temporary file in the same folder, so that the final step is a rename."""
    handle, name = tempfile.mkstemp(prefix=".unfinished-", dir=folder)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
    return Path(name)
