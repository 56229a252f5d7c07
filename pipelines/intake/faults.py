"""The faults of a delivery, gathered over all its files before it is refused."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace

from registry import Fault, GraftledgerError


@dataclass
class Faults:
    """What was found so far."""

    found: list[Fault] = field(default_factory=list)

    @contextmanager
    def gathered(self, labels: Mapping[str, str] | None = None) -> Iterator[None]:
        """Gather the faults of a refusal inside the `with` block instead of passing it on.

        labels: by the label of a file in a fault, the one that the user knows it by.
        """
        try:
            yield
        except GraftledgerError as error:
            known = labels or {}
            self.found += [
                replace(fault, file=known.get(fault.file, fault.file)) if fault.file else fault
                for fault in error.faults
            ]

    def refuse(self) -> None:
        """Raises: GraftledgerError with what was found, if anything was."""
        if self.found:
            raise GraftledgerError(*self.found)
