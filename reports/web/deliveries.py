"""Files that were sent and wait to be taken in: each delivery in a folder of its own, for a week at most."""

from __future__ import annotations

import re
import secrets
import shutil
import time
from pathlib import Path

from registry.errors import GraftledgerError

from .state import PAGES_FOLDER, private_folder

DELIVERIES_FOLDER = "deliveries"
KEPT_DAYS = 7
_ID = re.compile(r"[0-9a-f]{32}")


def new_delivery(registry: Path) -> tuple[str, Path]:
    """The id of a delivery, which cannot be guessed, and the folder for its files, which is not there yet."""
    _forget_old(registry)
    delivery = secrets.token_hex(16)
    return delivery, _folder(registry) / delivery


def delivery_files(registry: Path, delivery: str) -> list[Path]:
    """The files of a delivery. Raises: GraftledgerError where they are gone."""
    folder = _folder(registry) / delivery
    files = sorted(folder.iterdir()) if _ID.fullmatch(delivery) and folder.is_dir() else []
    if not files:
        raise GraftledgerError(f"The files of this delivery are gone: they are kept for {KEPT_DAYS} days. Send again.")
    return files


def is_kept(registry: Path, delivery: str) -> bool:
    """Whether the files of a delivery are still there."""
    return bool(_ID.fullmatch(delivery)) and (_folder(registry) / delivery).is_dir()


def forget_delivery(registry: Path, delivery: str) -> None:
    """Take the files of a delivery away; nothing happens where they are gone."""
    if _ID.fullmatch(delivery):
        shutil.rmtree(_folder(registry) / delivery, ignore_errors=True)


def _folder(registry: Path) -> Path:
    return private_folder(registry / PAGES_FOLDER / DELIVERIES_FOLDER)


def _forget_old(registry: Path) -> None:
    oldest = time.time() - KEPT_DAYS * 86_400
    for path in _folder(registry).iterdir():
        if path.stat().st_mtime < oldest:
            shutil.rmtree(path, ignore_errors=True)
