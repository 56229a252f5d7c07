"""Empty CSV files with the header of each record type, for a site to fill."""

from __future__ import annotations

from pathlib import Path

from .definition import RECORD_TYPES
from .errors import Fault, GraftledgerError


def write_templates(folder: Path) -> list[Path]:
    """Write one empty CSV file a record type. Existing files are never overwritten.

    Raises: GraftledgerError where a file exists already or the folder cannot be written.
    """
    targets = {folder / f"{record.name}.csv": record for record in RECORD_TYPES}
    present = [path for path in targets if path.exists()]
    if present:
        raise GraftledgerError(
            *(Fault("the file exists already.", path.name, mend="Choose an empty folder.") for path in present)
        )
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for path, record in targets.items():
            path.write_text(",".join(record.field_names) + "\n", encoding="utf-8")
    except OSError as error:
        raise GraftledgerError(
            Fault(f"the templates could not be written ({(error.strerror or 'error').lower()}).", str(folder))
        ) from None
    return list(targets)
