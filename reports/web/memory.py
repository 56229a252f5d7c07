"""What pages computed from the registry as it is now: kept in memory until its database or settings change.

The database is only ever replaced as a whole, so a file that is the same file holds the same records. Many readers of
one page cost one computation, and nothing outlives a change: not a correction, nor an erasure.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable
from pathlib import Path
from threading import Lock
from typing import Any, TypeVar

from registry.settings import SETTINGS_FILE
from registry.store import DATABASE_FILE

T = TypeVar("T")
MOST = 100
"""Of what was computed last."""
State = tuple[tuple[int, int, int] | None, ...]


class Memory:
    """Values by key, of one state of a registry. What is kept is shared: nobody may change it."""

    def __init__(self) -> None:
        self._state: State = ()
        self._values: OrderedDict[Hashable, _Value] = OrderedDict()
        self._lock = Lock()

    def get(self, folder: Path, key: Hashable, make: Callable[[], T]) -> T:
        """The value of a key; made where it is not there yet, once also if several ask at the same time."""
        state = _state_of(folder)
        with self._lock:
            if state != self._state:
                self._values.clear()
                self._state = state
            value = self._values.setdefault(key, _Value())
            self._values.move_to_end(key)
            if len(self._values) > MOST:
                self._values.popitem(last=False)
        with value.lock:
            if not value.is_made:
                value.content, value.is_made = make(), True
        content: T = value.content
        return content


class _Value:
    def __init__(self) -> None:
        self.lock, self.is_made = Lock(), False
        self.content: Any = None


def _state_of(folder: Path) -> State:
    """What tells a database and its settings from any others."""

    def told(path: Path) -> tuple[int, int, int] | None:
        try:
            found = path.stat()
        except OSError:
            return None
        return (found.st_ino, found.st_mtime_ns, found.st_size)

    return told(folder / DATABASE_FILE), told(folder / SETTINGS_FILE)
