"""Which record type a file holds, told from its columns, and what is wrong with them.

A message names a column that nobody knows, since its name is needed to mend it; but only where the first line is
plainly a header (at least half of its names are known) and the name looks like one. Where the header is missing, the
first line is somebody's record, and then no part of it is repeated.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence

from registry import RECORD_TYPES, Fault, GraftledgerError
from registry.definition import RecordType
from registry.errors import nearest

_PRINTABLE_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_ .()%/-]{0,39}")


def record_of_columns(columns: Sequence[str], label: str, as_type: RecordType | None = None) -> RecordType:
    """The record type whose file this is. `as_type` decides where it is given.

    Raises: GraftledgerError, with every fault of the columns, where the type cannot be told or a column is unknown,
    missing or there twice.
    """
    record = as_type or likeliest_record(columns)
    if record is None:
        raise GraftledgerError(
            Fault(
                "its columns do not tell which records it holds.",
                label,
                mend="Does the first line hold the column names? If so, say which records these are: --as with one of "
                f"{', '.join(candidate.name for candidate in RECORD_TYPES)}.",
            )
        )
    faults = _column_faults(columns, label, record)
    if faults:
        raise GraftledgerError(*faults)
    return record


def _known_count(columns: Sequence[str], record: RecordType) -> int:
    return len(set(columns) & set(record.field_names))


def likeliest_record(columns: Sequence[str]) -> RecordType | None:
    """The type that knows most of the columns, its own key first; none where two fit as well or half is unknown."""

    def fit(record: RecordType) -> tuple[int, bool]:
        return _known_count(columns, record), set(record.key) <= set(columns)

    best, second = sorted(RECORD_TYPES, key=fit, reverse=True)[:2]
    if fit(best) == fit(second) or 2 * _known_count(columns, best) < len(columns):
        return None
    return best


def _column_faults(columns: Sequence[str], label: str, record: RecordType) -> list[Fault]:
    if 2 * _known_count(columns, record) < len(columns):
        return [
            Fault(
                f"fewer than half of its columns belong to a {record.name} file.",
                label,
                mend="Does the first line hold the column names? `graftledger templates DIR` writes files with the "
                "right ones.",
            )
        ]
    counts = Counter(columns)
    faults = []
    for position, name in enumerate(columns, start=1):
        if not name:
            faults.append(Fault(f"column {position} has no name.", label, mend="Name it or take it out."))
        elif name not in record.field_names and columns.index(name) == position - 1:
            faults.append(_unknown(name, position, label, record))
    faults += [
        Fault(f"the column is there {count} times.", label, field=name, mend="Leave one of them.")
        for name, count in counts.items()
        if count > 1 and name in record.field_names
    ]
    faults += [
        Fault(f"the required column of a {record.name} file is missing.", label, field=name, mend="Add it.")
        for name in record.required_names
        if name not in counts
    ]
    return faults


def _unknown(name: str, position: int, label: str, record: RecordType) -> Fault:
    if not _PRINTABLE_NAME.fullmatch(name):
        return Fault(f"column {position} is unknown.", label, mend="Take it out, or give it the name of a known one.")
    missing = [known for known in record.field_names if known != name]
    return Fault(
        f"the column is unknown in a {record.name} file.",
        label,
        field=name,
        mend=f"{_hint(name, missing)} Rename it or take it out: nothing but the declared fields is taken in.",
    )


def _hint(name: str, known: list[str]) -> str:
    sentence = nearest(name, known)
    return sentence if sentence.startswith("Did you mean") else f"The data dictionary lists all {len(known)} columns."
