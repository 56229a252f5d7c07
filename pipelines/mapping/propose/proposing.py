"""Propose a mapping for sheets that nobody has mapped yet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from registry import Settings

from ...identifiers import TableFacts, may_be_shown, telling_cells, telling_columns
from ...sources import SourceSheet
from .plan import named_record, sheet_plan
from .writing import mapping_text

_ROWS_LOOKED_AT = 50_000


def propose_mapping(sheets: Sequence[SourceSheet], settings: Settings | None = None, site: str = "") -> str:
    """The text of a mapping for these sheets, with what could not be placed at its top.

    No value stands in it, except answers of columns with at most 30 short ones that need a code and do not look like
    an identifier. A column whose name suggests an identifier is left out: such a file must not come in as it is.
    """
    named = {index: record for index, sheet in enumerate(sheets) if (record := named_record(sheet)) is not None}
    plans, left_out = [], []
    for index, sheet in enumerate(sheets):
        kept, doubtful, lines = _without_identifiers(_beginning(sheet), settings)
        left_out += lines
        others = [record for at, record in named.items() if at != index]
        if kept.frame.width:
            plans.append(sheet_plan(kept, doubtful, others, settings))
    return mapping_text(plans, site, settings, left_out)


def _beginning(sheet: SourceSheet) -> SourceSheet:
    """The first rows, which are enough for a proposal; a check looks at all."""
    return replace(sheet, frame=sheet.frame.head(_ROWS_LOOKED_AT), row_numbers=sheet.row_numbers.head(_ROWS_LOOKED_AT))


def _without_identifiers(
    sheet: SourceSheet, settings: Settings | None
) -> tuple[SourceSheet, frozenset[str], list[str]]:
    """The sheet without columns whose names suggest an identifier, those whose values do, and a line about each."""
    facts = TableFacts(
        header=sheet.header,
        row_numbers=sheet.row_numbers,
        site_codes=settings.sites if settings else (),
        surgeon_codes=settings.surgeons if settings else (),
    )
    columns = telling_columns(sheet.frame, facts)
    cells = telling_cells(sheet.frame, facts)
    doubtful = frozenset(sheet.frame.columns[position] for position in set(cells["column"]))
    lines = []
    for position, kind in columns.items():
        name = sheet.frame.columns[position]
        shown = name if may_be_shown(name) else f"column {position + 1}"
        lines.append(f"{sheet.label}: {shown} suggests {kind}; take it out at the site")
    for name in sorted(doubtful - {sheet.frame.columns[position] for position in columns}):
        shown = name if may_be_shown(name) else f"column {sheet.frame.columns.index(name) + 1}"
        lines.append(f"{sheet.label}: {shown} holds values that look like identifiers; take them out at the site")
    kept = [position for position in range(sheet.frame.width) if position not in columns]
    without = replace(
        sheet,
        header=tuple(sheet.header[position] for position in kept),
        frame=sheet.frame.select(sheet.frame.columns[position] for position in kept),
    )
    return without, doubtful, lines
