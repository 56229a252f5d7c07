"""Every column of a sheet is mapped or dropped by name; nothing comes in, or is left out, by accident."""

from __future__ import annotations

import re
from collections.abc import Iterator

from registry import Fault, GraftledgerError
from registry.errors import nearest

from ..sources import SourceSheet
from .model import LABEL, SourceRule
from .rows import columns_of, presence_columns
from .words import plain

_SHOWN_NAME = re.compile(r"[^\W\d_][\w .,:;()\[\]/%²³µ°+*'’&#?!-]{0,59}")


def resolved_columns(sheet: SourceSheet, rule: SourceRule) -> dict[str, str]:
    """Name in the mapping to name in the sheet, for every column that the mapping names.

    A name fits as it stands, or else whatever its case, accents and spaces, if only one column fits it then.

    Raises: GraftledgerError for every column of the sheet that is neither mapped nor dropped, and every mapped one
    that is missing or fits two. Names are repeated only where the first line is plainly a header.
    """
    used, dropped = dict(_used(rule)), set(rule.drop)
    found, known, faults = {}, set[str](), []
    for name, path in {**dict.fromkeys(dropped, f"{rule.path}, drop"), **used}.items():
        fitting = _fitting(name, sheet.frame.columns)
        known.update(fitting)
        if len(fitting) == 1:
            found[name] = fitting[0]
        elif fitting:
            faults.append(
                Fault(f"several columns fit {path}.", sheet.label, field=name, mend="Write the name exactly.")
            )
        elif name not in dropped:
            faults.append(_missing(name, path, sheet))
    if 2 * len(known) < len(sheet.frame.columns):
        raise GraftledgerError(
            Fault(
                f"the mapping names {len(known)} of its {len(sheet.frame.columns)} columns.",
                sheet.label,
                mend="Is this the right mapping, and does the first filled row hold the column names?",
            )
        )
    for position, (name, shown) in enumerate(zip(sheet.header, sheet.frame.columns, strict=True), start=1):
        if shown not in known:
            faults.append(
                Fault(
                    "the column is neither mapped nor dropped.",
                    sheet.label,
                    field=shown if not name or _SHOWN_NAME.fullmatch(name) else f"column {position}",
                    mend="Map it to a field, or add it to drop.",
                )
            )
    if faults:
        raise GraftledgerError(*faults)
    return found


def _fitting(name: str, columns: list[str]) -> list[str]:
    if name in columns:
        return [name]
    return [column for column in columns if plain(column) == plain(name)]


def _used(rule: SourceRule) -> Iterator[tuple[str, str]]:
    """Every column that the records of a source read, and where the mapping names it."""
    if rule.ignore_rows is not None:
        yield rule.ignore_rows.column, f"{rule.path}, ignore_rows"
    for record in rule.records:
        if record.where is not None:
            yield record.where.column, f"{record.path}, where"
        if record.gather_by is not None:
            yield record.gather_by, f"{record.path}, gather_by"
        for label in record.labels_or_none:
            for column in presence_columns(record, label):
                yield column.replace(LABEL, label or ""), f"{record.path}, only_if"
            for name, source in record.fields.items():
                for column in columns_of(source, label):
                    yield column, f"{record.path}, {name}"


def _missing(name: str, path: str, sheet: SourceSheet) -> Fault:
    hint = nearest(name, sheet.frame.columns)
    close = hint if hint.startswith("Did you mean") else "Correct its name in the mapping, or export it again."
    return Fault(f"the column that {path} reads is missing.", sheet.label, field=name, mend=close)
