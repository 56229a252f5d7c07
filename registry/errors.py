"""The one error a user ever sees: what is wrong, where, and how to mend it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong, and where. Holds no value of a record: file, row and field are enough.

    what: plain words.
    file, row, field: where, as far as known; row 1 is the first row below the header.
    mend: what to do about it.
    """

    what: str
    file: str | None = None
    row: int | None = None
    field: str | None = None
    mend: str | None = None

    def __str__(self) -> str:
        where = ", ".join(
            part for part in (self.file, f"row {self.row}" if self.row is not None else None, self.field) if part
        )
        text = f"{where}: {self.what}" if where else self.what
        return f"{text} {self.mend}" if self.mend else text


class GraftledgerError(Exception):
    """A refusal with its reasons. The command line prints it and exits with 1; nothing was changed."""

    def __init__(self, *faults: Fault | str) -> None:
        if not faults:
            raise ValueError("a GraftledgerError needs at least one fault")
        self.faults = tuple(Fault(fault) if isinstance(fault, str) else fault for fault in faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


def nearest(wrong: str, known: list[str]) -> str:
    """A sentence naming the closest known name, or the known names when none is close.

    >>> nearest("tecnique", ["technique", "sex"])
    'Did you mean technique?'
    >>> nearest("zzz", ["technique", "sex"])
    'Known: sex, technique.'
    """
    from difflib import get_close_matches

    close = get_close_matches(wrong, known, n=1)
    return f"Did you mean {close[0]}?" if close else f"Known: {', '.join(sorted(known))}."
