"""Files read as a mapping says, and looked at for identifiers before anything else is done with them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from registry import Fault, GraftledgerError, Settings

from ..identifiers import TableFacts, bounded, find_identifiers
from ..sources import SourceSheet, files_of, labels_of, read_source
from .apply import fits, fitting_rules
from .model import Mapping


def read_sheets(
    paths: Sequence[Path], mapping: Mapping | None = None, encoding: str | None = None
) -> list[SourceSheet]:
    """The sheets of all files and of the files in all folders; sheets that the mapping leaves out are not among them.

    encoding: of text files; where it is left out, what the mapping says of the file, or what its bytes tell.

    Raises: GraftledgerError, with the faults of all files, where one cannot be read.
    """
    sheets: list[SourceSheet] = []
    faults: list[Fault] = []
    files = files_of(paths)
    for path, label in zip(files, labels_of(files), strict=True):
        try:
            found = read_source(path, label, encoding or encoding_of(mapping, path.name))
        except GraftledgerError as error:
            faults += error.faults
        else:
            sheets += [sheet for sheet in found if not left_out(mapping, sheet)]
    if faults:
        raise GraftledgerError(*faults)
    return sheets


def refuse_identifying(sheets: Sequence[SourceSheet], settings: Settings | None) -> None:
    """Refuse sheets that may identify somebody. Raises: GraftledgerError, without any value."""
    faults = [fault for sheet in sheets for fault in _identifiers(sheet, settings)]
    if faults:
        raise GraftledgerError(*bounded(faults))


def _identifiers(sheet: SourceSheet, settings: Settings | None) -> Iterator[Fault]:
    facts = TableFacts(
        header=sheet.header,
        row_numbers=sheet.row_numbers,
        site_codes=settings.sites if settings else (),
        surgeon_codes=settings.surgeons if settings else (),
    )
    yield from find_identifiers(sheet.frame, file_name=sheet.file_name, sheet=sheet.sheet, facts=facts)


def encoding_of(mapping: Mapping | None, file_name: str) -> str | None:
    """The encoding that the mapping states for a text file; None where it states none."""
    if mapping is None:
        return None
    return next((rule.encoding for rule in mapping.sources if rule.encoding and fits(file_name, rule.file)), None)


def left_out(mapping: Mapping | None, sheet: SourceSheet) -> bool:
    """Whether the only rules that fit a sheet leave it out."""
    if mapping is None:
        return False
    rules = fitting_rules(sheet, mapping)
    return bool(rules) and all(rule.ignore for rule in rules)
