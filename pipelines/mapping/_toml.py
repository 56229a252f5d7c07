"""Values of a TOML table, checked as they are taken out. What is wrong is gathered, not raised."""

from __future__ import annotations

from collections.abc import Mapping as MappingOf
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from registry import Fault
from registry.errors import nearest

TODO = "TODO"
OPEN = "not decided yet"
"""What a fault says of anything that is still marked TODO."""


@dataclass(frozen=True)
class Table:
    """A table of the mapping, and the list to which every fault is added.

    path: where it stands, such as `source 2, visit`.
    """

    data: MappingOf[str, Any]
    path: str
    file_name: str
    faults: list[Fault] = field(repr=False)

    def fault(self, key: str, what: str, mend: str | None = None) -> None:
        where = ", ".join(part for part in (self.path, key) if part)
        self.faults.append(Fault(what, self.file_name, field=where or None, mend=mend))

    def unknown_keys(self, known: Sequence[str]) -> None:
        for key in self.data:
            if key not in known:
                self.fault(key, f"unknown key. {nearest(key, list(known))}")

    def text(self, key: str, default: str | None = None) -> str | None:
        """A text in quotes. One that still says TODO is a fault of its own."""
        value = self.data.get(key, default)
        if value is None or (isinstance(value, str) and not value.startswith(TODO)):
            return value
        if isinstance(value, str):
            self.undecided(key)
        else:
            self.fault(key, "must be a text in quotes.")
        return default

    def undecided(self, key: str) -> None:
        self.fault(key, f"is {OPEN}.", "Write what it is in the place of TODO.")

    def texts(self, key: str, default: Sequence[str] = ()) -> tuple[str, ...]:
        """A list of texts, or one text alone."""
        value = self.data.get(key)
        if value is None:
            return tuple(default)
        listed = [value] if isinstance(value, str) else value
        if not isinstance(listed, list) or not all(isinstance(item, str) for item in listed):
            self.fault(key, 'must be a list of texts in quotes, such as ["A", "B"].')
            return tuple(default)
        if any(item.startswith(TODO) for item in listed):
            self.undecided(key)
            return tuple(default)
        return tuple(listed)

    def flag(self, key: str) -> bool:
        value = self.data.get(key, False)
        if isinstance(value, str) and value.startswith(TODO):
            self.undecided(key)
            return False
        if not isinstance(value, bool):
            self.fault(key, "must be true or false.")
            return False
        return value

    def sub(self, key: str, value: Any = None) -> Table:
        """The table under a key, empty with a fault where it is no table."""
        found = self.data.get(key, {}) if value is None else value
        path = ", ".join(part for part in (self.path, key) if part)
        if not isinstance(found, dict):
            self.fault(key, "must be a table.")
            found = {}
        return Table(found, path, self.file_name, self.faults)

    def text_table(self, key: str) -> dict[str, str]:
        """A table of texts, such as { ja = "yes" }. Numbers and true or false are taken for their text."""
        table = self.sub(key)
        found = {}
        for name, value in table.data.items():
            text = plain_value(value)
            if text is None:
                table.fault(name, "must be a text in quotes.")
            elif text.startswith(TODO):
                table.undecided(name)
            else:
                found[name] = text
        return found


def plain_value(value: Any) -> str | None:
    """The text of a plain TOML value as the registry writes it; None for anything else."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value) if isinstance(value, str | int | float) else None
