"""Copies of records and figures that the application holds beside the registry, and taking them away."""

from __future__ import annotations

import shutil
from pathlib import Path

from .deliveries import DELIVERIES_FOLDER
from .jobs import JOBS_FOLDER, LIVE
from .state import PAGES_FOLDER, STATE_FILE, open_state


def forget_copies(registry: Path) -> bool:
    """Take away what jobs prepared and files that were not taken in, as an erasure asks. Returns whether there was any.

    Signed audits stay: they hold figures, and their signature is of these very bytes.
    """
    if not (registry / STATE_FILE).exists():
        return False
    found = False
    for name in (JOBS_FOLDER, DELIVERIES_FOLDER):
        folder = registry / PAGES_FOLDER / name
        for path in sorted(folder.iterdir()) if folder.is_dir() else []:
            shutil.rmtree(path, ignore_errors=True)
            found = True
    with open_state(registry) as state:
        if state.execute("select 1 from sqlite_master where name = 'job'").fetchone():
            state.execute(f"delete from job where status not in ({', '.join('?' * len(LIVE))})", list(LIVE))
            state.execute("vacuum")
    return found
