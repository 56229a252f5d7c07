"""The de-identification gate: a table that may identify somebody is refused as a whole, and no value is repeated."""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import lru_cache

import polars as pl

from registry import Fault, GraftledgerError

from .cells import TableFacts, telling_cells, telling_columns
from .classify import classified
from .headers import may_be_shown
from .kinds import IdentifierKind
from .names import names_among

_NOTHING_KNOWN = TableFacts()
_FAULTS_SHOWN = 20
_ROWS_SHOWN = 5
_TAKE_OUT = "Take the column out at the site: `graftledger pseudonymise` drops it, or makes a key or an age of it."
_MENDS = {
    IdentifierKind.NO_PSEUDONYM: "Make the keys at the site with `graftledger pseudonymise`.",
    IdentifierKind.FREE_TEXT: "Give a code, a number or a date, translate the answer in the mapping, or take it out.",
    IdentifierKind.FULL_DATE: "Give what the field asks for, or take it out.",
    IdentifierKind.BIRTH_DATE: "Send ages in completed years; if these are other dates, check their years.",
}
_TAKE_VALUE_OUT = "Take it out at the site, and send the file again."
_NAME_KINDS = frozenset({IdentifierKind.EMAIL, IdentifierKind.NAME})


def find_identifiers(
    frame: pl.DataFrame, *, file_name: str, sheet: str | None = None, facts: TableFacts = _NOTHING_KNOWN
) -> list[Fault]:
    """What may identify somebody in a table: one fault for each column and kind, with the first rows.

    frame: text columns; empty cells are null. Columns of another type, such as row numbers, are not looked at.
    file_name, sheet: what it is called in messages; left out of them where the name itself looks like an identifier.

    No fault holds a value, nor a column name that might be one: such a column is named by its position.
    """
    label, faults = _label(file_name, sheet)
    shown = [_shown(name, position) for position, name in enumerate(facts.names(frame), start=1)]
    columns = telling_columns(frame, facts)
    faults += [
        Fault(f"the name of the column suggests {kind}.", label, field=shown[position], mend=_TAKE_OUT)
        for position, kind in columns.items()
    ]
    cells = telling_cells(frame, facts).filter(~pl.col("column").is_in(list(columns)))
    return faults + _cell_faults(cells, label, shown, facts.row_numbers)


def refuse_identifiers(
    frame: pl.DataFrame, *, file_name: str, sheet: str | None = None, facts: TableFacts = _NOTHING_KNOWN
) -> None:
    """Refuse a table that may identify somebody.

    Raises: GraftledgerError with the faults of `find_identifiers`; at most 20 are shown, with the number of the rest.
    """
    faults = find_identifiers(frame, file_name=file_name, sheet=sheet, facts=facts)
    if faults:
        raise GraftledgerError(*bounded(faults))


def bounded(faults: Sequence[Fault]) -> list[Fault]:
    """At most 20 faults, and how many more there are."""
    left_out = len(faults) - _FAULTS_SHOWN
    more = [Fault(f"{left_out} more columns or kinds like these are not listed.")] if left_out > 0 else []
    return [*faults[:_FAULTS_SHOWN], *more]


def _label(file_name: str, sheet: str | None) -> tuple[str, list[Fault]]:
    """What the table may be called, and a fault for each name that looks like an identifier itself."""
    label, faults = file_name, []
    if _tells(file_name):
        label = "a file"
        faults.append(Fault("the name of the file looks like a name or an address itself.", mend="Rename the file."))
    if sheet is not None:
        if _tells(sheet):
            faults.append(
                Fault("the name of a sheet looks like a name or an address itself.", label, mend="Rename the sheet.")
            )
            return f"{label}, a sheet", faults
        label = f"{label}, sheet {sheet}"
    return label, faults


@lru_cache(maxsize=1_000)
def _tells(name: str) -> bool:
    """Files of many deliveries go by the same few names, and the patterns take 20 ms to prepare."""
    forms = {name, re.sub(r"\.[A-Za-z0-9]{1,8}$", "", name), " ".join(re.split(r"[\W_]+", name))}
    texts = pl.Series(sorted(forms))
    return bool(names_among(texts)) or not _NAME_KINDS.isdisjoint(classified(texts).values())


def _shown(name: str, position: int) -> str:
    return name if may_be_shown(name) else f"column {position}"


def _cell_faults(cells: pl.DataFrame, label: str, shown: Sequence[str], row_numbers: pl.Series | None) -> list[Fault]:
    number = pl.col("row") + 1 if row_numbers is None else pl.lit(row_numbers).gather(pl.col("row"))
    groups = (
        cells.group_by("column", "kind", maintain_order=True)
        .agg(number.head(_ROWS_SHOWN).alias("rows"), pl.len().alias("count"))
        .rows()
    )
    return [_cell_fault(IdentifierKind[kind], rows, count, label, shown[at]) for at, kind, rows, count in groups]


def _cell_fault(kind: IdentifierKind, rows: Sequence[int], count: int, label: str, field: str) -> Fault:
    others = [str(row) for row in rows[1:]]
    if count > len(rows):
        others.append(f"{count - len(rows):,} more")
    too = f"; so do rows {', '.join(others)}" if len(others) > 1 else f"; so does row {others[0]}" if others else ""
    return Fault(f"looks like {kind}{too}.", label, row=rows[0], field=field, mend=_MENDS.get(kind, _TAKE_VALUE_OUT))
