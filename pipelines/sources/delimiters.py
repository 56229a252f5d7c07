"""Which character separates the columns of a text file."""

from __future__ import annotations

import re

import polars as pl

from registry import Fault, GraftledgerError

DELIMITERS = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "vertical bars"}

_DECLARED = re.compile(r"sep=(.)", re.IGNORECASE)
_QUOTED = r'"(?:[^"]|"")*"'


def declared_delimiter(record: str) -> str | None:
    """The delimiter of a first line `sep=;`, as spreadsheet programs write and read it.

    >>> declared_delimiter("sep=;")
    ';'
    """
    match = _DECLARED.fullmatch(record.strip(" "))
    return match[1] if match and match[1] in DELIMITERS else None


def field_counts(records: pl.Series, delimiter: str) -> pl.Series:
    """How many fields each record has, quoted parts left out of account."""
    bare = records.str.replace_all(_QUOTED, "") if records.str.contains('"', literal=True).any() else records
    return bare.str.count_matches(delimiter, literal=True) + 1


def detect_delimiter(header: str, records: pl.Series, label: str) -> str:
    """The delimiter that the header has and with which the first records have as many fields as the header.

    A header without any delimiter is one column. Where no delimiter fits every record, the one with the most columns
    in the header is taken, and the records that do not fit it are reported by whoever reads them.

    Raises: GraftledgerError where two delimiters fit equally well.
    """
    columns = {mark: int(field_counts(pl.Series([header]), mark)[0]) for mark in DELIMITERS}
    candidates = {mark: count for mark, count in columns.items() if count > 1}
    if not candidates:
        return ","
    filled = records.filter(records.str.contains(r"[^\s,;|]"))
    fitting = [mark for mark, count in candidates.items() if (field_counts(filled, mark) == count).all()]
    most = sorted(fitting or candidates, key=lambda mark: candidates[mark], reverse=True)
    if len(fitting) > 1 and candidates[most[0]] == candidates[most[1]]:
        words = " or ".join(DELIMITERS[mark] for mark in most)
        raise GraftledgerError(
            Fault(
                f"columns may be separated by {words}: both fit.",
                label,
                mend="Put double quotes around the values that hold such a sign, or save the file as a workbook.",
            )
        )
    return most[0]
