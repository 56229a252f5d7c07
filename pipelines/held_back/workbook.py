"""A workbook a site with its rows held back, to be mended there and sent back through the intake.

Rows that a mapping read stand in the site's own columns, each once, on a sheet for each kind of sheet they came from;
others on a sheet for each record type. Three columns before them tell entry, reason and what to do; the intake takes
them off again. Every cell is text, so that no value runs as a formula or is turned into another.
"""

from __future__ import annotations

import json
import os
import re
import tempfile
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from registry import RECORD_TYPES, Fault, GraftledgerError, Registry, record_type

from ..intake.workbook_columns import ENTRY, MEND, REASON
from .listing import WITHOUT_SITE, Entry, entries

_WIDTHS = {ENTRY: 16, REASON: 50, MEND: 50}
_LONGEST_SHEET_NAME = 31


@dataclass(frozen=True)
class Workbook:
    """A workbook that was written. site: `none` for entries of no known site."""

    path: Path
    site: str
    rows: int


@dataclass(frozen=True)
class _Sheet:
    name: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str | None, ...], ...]


def export_workbooks(registry: Registry, folder: Path, *, site: str | None = None) -> tuple[Workbook, ...]:
    """Write `held_back_<SITE>.xlsx` for every site that has rows open or waiting. Existing files are never overwritten.

    Raises: GraftledgerError where there is nothing to write, a file is there already or the folder cannot be written.
    """
    found = entries(registry, site=site, unsettled=True)
    if not found:
        raise GraftledgerError("No row is held back" + (f" for site {site}." if site else "."))
    by_site: dict[str, list[Entry]] = {}
    for entry in found:
        by_site.setdefault(entry.site or WITHOUT_SITE, []).append(entry)
    targets = {code: folder / f"held_back_{code}.xlsx" for code in sorted(by_site)}
    present = [path for path in targets.values() if path.exists()]
    if present:
        raise GraftledgerError(
            *(Fault("the file exists already.", str(path), mend="Choose another folder.") for path in present)
        )
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for code, path in targets.items():
            _write(path, _sheets_of(by_site[code]))
    except OSError as error:
        why = (error.strerror or "error").lower()
        raise GraftledgerError(
            Fault(f"the workbook could not be written ({why}).", str(folder), mend="Is the folder writable?")
        ) from None
    return tuple(Workbook(path, code, len(by_site[code])) for code, path in targets.items())


def _sheets_of(found: Sequence[Entry]) -> list[_Sheet]:
    own = [entry for entry in found if entry.source_content is None]
    sheets = [_own_sheet(record.name, [e for e in own if e.record == record.name]) for record in RECORD_TYPES]
    by_layout: dict[tuple[str, ...], list[Entry]] = {}
    for entry in found:
        if entry.source_content is not None:
            by_layout.setdefault(tuple(json.loads(entry.source_content)), []).append(entry)
    sheets += [_source_sheet(columns, mapped) for columns, mapped in by_layout.items()]
    return _with_distinct_names([sheet for sheet in sheets if sheet.rows])


def _own_sheet(record: str, found: Sequence[Entry]) -> _Sheet:
    fields = record_type(record).field_names
    rows = []
    for entry in found:
        content = json.loads(entry.content)
        rows.append((*_remarks([entry]), *(content.get(name) for name in fields)))
    return _Sheet(record, (ENTRY, REASON, MEND, *fields), tuple(rows))


def _source_sheet(columns: tuple[str, ...], found: Sequence[Entry]) -> _Sheet:
    """Rows of the site's own sheets; several entries of one row stand in one line."""
    by_row: dict[tuple[str, str | None, int, str], list[Entry]] = {}
    for entry in found:
        assert entry.source_content is not None
        by_row.setdefault((entry.file, entry.sheet, entry.row, entry.source_content), []).append(entry)
    rows = tuple((*_remarks(same), *json.loads(key[3]).values()) for key, same in by_row.items())
    first = found[0]
    name = first.sheet or re.sub(r"\.[^.]*$", "", first.file.rsplit("/", 1)[-1])
    return _Sheet(name, (ENTRY, REASON, MEND, *columns), rows)


def _remarks(same: Sequence[Entry]) -> tuple[str, str, str]:
    reasons = [reason for entry in same for reason in entry.reasons]
    return (
        " ".join(str(entry.number) for entry in same),
        " | ".join(dict.fromkeys(f"{reason.field}: {reason.reason} ({reason.rule})" for reason in reasons)),
        " | ".join(dict.fromkeys(reason.mend for reason in reasons)),
    )


def _with_distinct_names(sheets: Iterable[_Sheet]) -> list[_Sheet]:
    named: dict[str, _Sheet] = {}
    for sheet in sheets:
        base = re.sub(r"[\[\]:*?/\\']", " ", sheet.name).strip() or "rows"
        name, count = base[:_LONGEST_SHEET_NAME], 2
        while name.lower() in named:
            suffix = f" {count}"
            name, count = base[: _LONGEST_SHEET_NAME - len(suffix)] + suffix, count + 1
        named[name.lower()] = _Sheet(name, sheet.columns, sheet.rows)
    return list(named.values())


def _write(path: Path, sheets: Sequence[_Sheet]) -> None:
    """Write beside the target, then rename."""
    import xlsxwriter  # type: ignore[import-untyped]

    handle, temporary = tempfile.mkstemp(prefix=".unfinished-", suffix=".xlsx", dir=path.parent)
    os.close(handle)
    try:
        with xlsxwriter.Workbook(temporary, {"strings_to_formulas": False, "strings_to_urls": False}) as book:
            text, head = book.add_format({"num_format": "@"}), book.add_format({"bold": True, "num_format": "@"})
            for sheet in sheets:
                page = book.add_worksheet(sheet.name)
                page.freeze_panes(1, 1)
                for position, column in enumerate(sheet.columns):
                    page.set_column(position, position, _WIDTHS.get(column, 14), text)
                    page.write_string(0, position, column, head)
                for row_number, row in enumerate(sheet.rows, start=1):
                    for position, value in enumerate(row):
                        if value is not None:
                            page.write_string(row_number, position, value, text)
        os.replace(temporary, path)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise
