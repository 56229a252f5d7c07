"""Files to tables of fields: read, looked at for identifiers, mapped where a site has a mapping.

Nothing of a file goes further before the gate has passed it; what a mapping makes of it goes through the gate again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import polars as pl

from registry import GraftledgerError, Settings
from registry.definition import RecordType

from ..identifiers import TableFacts, bounded, find_identifiers
from ..mapping import MappedTable, Mapping, apply_mapping, encoding_of, left_out
from ..sources import SourceSheet, files_of, labels_of, read_source
from .ahead import made_ahead
from .columns import likeliest_record, record_of_columns
from .faults import Faults
from .origins import Origin, Part, claimed_entries, parts_of
from .workbook_columns import is_workbook_sheet, without_workbook_columns

ROW_NUMBER = "row_number"
CLAIMED = "claimed"


@dataclass(frozen=True)
class Incoming:
    """Rows of one record type from one sheet.

    frame: fields of the record type as text (a field may be missing), `row_number`, and `claimed`: numbers of the
        entries that the row says it corrects.
    faults: values that the mapping could not read: `position` in the frame, `field`, `rule`; None without a mapping.
    source: the sheet in the site's own columns; None where they are the fields.
    """

    record: RecordType
    file_name: str
    sheet: str | None
    sha256: str
    frame: pl.DataFrame
    mapping_digest: str | None = None
    faults: pl.DataFrame | None = None
    source: SourceSheet | None = None

    @property
    def label(self) -> str:
        return f"{self.file_name}, sheet {self.sheet}" if self.sheet else self.file_name


@dataclass(frozen=True)
class Reading:
    """How the files of a delivery are read.

    as_type: the record type of every sheet; told from the columns where None.
    mapping: of the site that sends them; None where they are in the registry's own layout.
    session_dates: for a mapping, see `apply_mapping`.
    origins: where entries first came from, asked by their numbers.
    """

    settings: Settings
    today: date
    as_type: RecordType | None = None
    mapping: Mapping | None = None
    session_dates: pl.DataFrame | None = None
    origins: Callable[[Sequence[int]], dict[int, Origin]] = lambda entries: {}


def incoming(paths: Sequence[Path], reading: Reading, progress: Callable[[str], None]) -> Iterator[Incoming]:
    """The tables of a delivery, in the order of its files.

    Raises: GraftledgerError with the faults of all files, after the last.
    """
    if reading.mapping is None:
        return _in_own_layout(paths, reading, progress)
    return _mapped(paths, reading, reading.mapping, progress)


def _in_own_layout(paths: Sequence[Path], reading: Reading, progress: Callable[[str], None]) -> Iterator[Incoming]:
    """File by file, so that a file's memory is given back when its rows are staged."""
    faults = Faults()
    files = files_of(paths)

    def read() -> Iterator[list[SourceSheet]]:
        for path, label in zip(files, labels_of(files), strict=True):
            progress(f"Reading {label}")
            sheets: list[SourceSheet] = []
            with faults.gathered():
                sheets = read_source(path, label)
            yield sheets

    for sheets in made_ahead(read()):
        while sheets:
            with faults.gathered():
                table = _own_table(*without_workbook_columns(sheets.pop(0)), reading)
                if not faults.found:
                    yield table
    faults.refuse()


def _own_table(sheet: SourceSheet, claimed: pl.Series, reading: Reading) -> Incoming:
    _refuse_identifying(sheet.frame, sheet, reading, reading.as_type or likeliest_record(sheet.header))
    record = record_of_columns(sheet.header, sheet.label, reading.as_type)
    frame = sheet.frame.with_columns(sheet.row_numbers.alias(ROW_NUMBER), claimed.alias(CLAIMED))
    return Incoming(record, sheet.file_name, sheet.sheet, sheet.sha256, frame)


def _mapped(
    paths: Sequence[Path], reading: Reading, mapping: Mapping, progress: Callable[[str], None]
) -> Iterator[Incoming]:
    parts = _parts(paths, reading, mapping, progress)
    progress("Mapping to the fields of the registry")
    faults = Faults()
    for part in parts:
        if not _is_mapped(part):
            with faults.gathered():
                yield _own_table(part.shown, part.claimed, reading)
    by_source = {_source_key(part.sheet): part for part in parts if _is_mapped(part)}
    tables: list[MappedTable] = []
    with faults.gathered({part.sheet.label: part.shown.label for part in parts}):
        tables = apply_mapping([part.sheet for part in by_source.values()], mapping, reading.session_dates)
    for table in tables:
        with faults.gathered():
            part = by_source[table.file_name, table.sheet, table.source_sha256]
            _refuse_identifying(table.frame, part.shown, reading, table.record, table.frame[ROW_NUMBER])
            yield _mapped_table(table, part)
    faults.refuse()


def _parts(paths: Sequence[Path], reading: Reading, mapping: Mapping, progress: Callable[[str], None]) -> list[Part]:
    """All sheets that the mapping does not leave out, past the gate, by the origin of their rows."""
    faults = Faults()
    sheets: list[tuple[SourceSheet, pl.Series]] = []
    files = files_of(paths)
    for path, label in zip(files, labels_of(files), strict=True):
        progress(f"Reading {label}")
        with faults.gathered():
            for sheet in read_source(path, label, encoding_of(mapping, path.name)):
                if is_workbook_sheet(sheet) or not left_out(mapping, sheet):
                    sheets.append(without_workbook_columns(sheet))
    for sheet, _ in sheets:
        with faults.gathered():
            _refuse_identifying(sheet.frame, sheet, reading, None)
    faults.refuse()
    origins = reading.origins(claimed_entries([claimed for _, claimed in sheets]))
    return [part for sheet, claimed in sheets for part in parts_of(sheet, claimed, origins)]


def _is_mapped(part: Part) -> bool:
    return part.origin is None or part.origin.mapped


def _source_key(sheet: SourceSheet) -> tuple[str, str | None, str]:
    return sheet.file_name, sheet.sheet, sheet.sha256


def _mapped_table(table: MappedTable, part: Part) -> Incoming:
    claims = pl.DataFrame({ROW_NUMBER: part.sheet.row_numbers, CLAIMED: part.claimed})
    return Incoming(
        table.record,
        part.shown.file_name,
        part.shown.sheet,
        table.source_sha256,
        table.frame.join(claims, on=ROW_NUMBER, how="left", maintain_order="left"),
        table.mapping_digest,
        table.faults,
        part.sheet,
    )


def _refuse_identifying(
    frame: pl.DataFrame,
    sheet: SourceSheet,
    reading: Reading,
    record: RecordType | None,
    row_numbers: pl.Series | None = None,
) -> None:
    """Raises: GraftledgerError, without any value, where a table made of this sheet may identify somebody."""
    facts = TableFacts(
        record=record,
        header=sheet.header if row_numbers is None else None,
        row_numbers=sheet.row_numbers if row_numbers is None else row_numbers,
        site_codes=reading.settings.sites,
        surgeon_codes=reading.settings.surgeons,
        today=reading.today,
    )
    found = find_identifiers(frame, file_name=sheet.file_name, sheet=sheet.sheet, facts=facts)
    if found:
        raise GraftledgerError(*bounded(found))
