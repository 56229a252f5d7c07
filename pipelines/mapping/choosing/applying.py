"""The mapping with choices made. A choice that was not offered is refused, so nothing else can be written into it."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping as MappingOf
from collections.abc import Sequence
from copy import deepcopy
from typing import Any

from registry import Fault, GraftledgerError, Settings
from registry.definition import record_type

from ...identifiers import TableFacts, telling_cells
from ...sources import SourceSheet
from ..propose.columns import make_column
from ..propose.entries import Surroundings, column_entry
from ..words import plain
from .questions import FIXED, LEAVE_OUT, Placement, Question, SheetChoices, choices_of, uses_of


def with_choices(
    data: MappingOf[str, Any], sheets: Sequence[SourceSheet], chosen: MappingOf[str, str], settings: Settings | None
) -> dict[str, Any]:
    """The content of a mapping after choices.

    chosen: names of placements and questions of `choices_of(data, sheets)` to what was chosen; others are ignored, and
    so are empty ones for what stays open. A column that goes to another field is read as a proposal would read it, so
    that answers, forms of dates and units come back as questions.
    Raises: GraftledgerError for a choice that was not offered, or one field chosen for two columns.
    """
    made = deepcopy(dict(data))
    for each in choices_of(data, sheets):
        for question in each.questions:
            if question.name in chosen:
                _answer(made, question, chosen[question.name])
        source = made["source"][each.source]
        moved = [
            (placement, to)
            for placement in each.placements
            if (to := chosen.get(placement.name)) is not None and to != placement.at and placement.options
        ]
        _check(each, moved)
        for placement, _ in moved:
            _take_out(source, placement.column)
        for placement, to in moved:
            _put(source, each.sheet, placement.column, to, settings)
    return made


def _answer(made: dict[str, Any], question: Question, answer: str) -> None:
    if answer not in {value for value, _ in question.options}:
        if not answer:
            return
        raise GraftledgerError(Fault("that answer was not offered.", field=question.asks))
    *parents, last = question.path
    table: Any = made
    for key in parents:
        table = table[key]
    if last == "column" and answer.startswith(FIXED):
        table.pop("column")
        table["value"] = answer.removeprefix(FIXED)
    else:
        table[last] = True if last == "ignore" else answer
    if last == "ignore":
        table.pop("undecided", None)
    if last == "column":
        source = made["source"][question.path[1]]
        _strike(source, "undecided", answer)
        _strike(source, "drop", answer)


def _check(each: SheetChoices, moved: Sequence[tuple[Placement, str]]) -> None:
    seen: dict[str, str] = {}
    for placement, to in moved:
        offered = {"", LEAVE_OUT, *(value for _, options in placement.options for value, _ in options)}
        if to not in offered:
            raise GraftledgerError(Fault("that field was not offered.", each.sheet.label, field=placement.column))
        if to not in ("", LEAVE_OUT) and to in seen:
            raise GraftledgerError(
                Fault(f"{seen[to]} goes to the same field.", each.sheet.label, field=placement.column)
            )
        seen[to] = placement.column


def _take_out(source: dict[str, Any], column: str) -> None:
    for use in uses_of(source, column):
        table = source[use.record] if use.entry is None else source[use.record][use.entry]
        table.pop(use.field)
    _strike(source, "drop", column)
    _strike(source, "undecided", column)


def _strike(source: dict[str, Any], key: str, column: str) -> None:
    left = [name for name in source.get(key, []) if plain(name) != plain(column)]
    if left or key == "drop":
        source[key] = left
    else:
        source.pop(key, None)


def _put(source: dict[str, Any], sheet: SourceSheet, column: str, to: str, settings: Settings | None) -> None:
    if to in ("", LEAVE_OUT):
        key = "drop" if to else "undecided"
        source[key] = [*source.get(key, []), column]
        return
    record_name, _, field = to.partition(".")
    source.pop("ignore", None)
    table = source.setdefault(record_name, {})
    first = table[0] if isinstance(table, list) else table
    first[field] = _entry(source, sheet, column, record_name, field, settings)


def _entry(
    source: MappingOf[str, Any],
    sheet: SourceSheet,
    column: str,
    record_name: str,
    field: str,
    settings: Settings | None,
) -> Any:
    record = record_type(record_name)
    facts = TableFacts(
        header=sheet.header,
        row_numbers=sheet.row_numbers,
        site_codes=settings.sites if settings else (),
        surgeon_codes=settings.surgeons if settings else (),
    )
    doubtful = {sheet.frame.columns[position] for position in set(telling_cells(sheet.frame, facts)["column"])}
    made = make_column(column, [sheet.frame[column]], may_be_written=column not in doubtful)
    form = source.get("date_format")
    around = Surroundings(
        form if isinstance(form, str) else None,
        source.get("decimal") == ",",
        "session.performed_on" if record.parent == "session" else None,
        sheet.has_number_cells,
        settings,
    )
    entry = column_entry(made, record, record.field(field), None, around)
    parts = {key: tomllib.loads(f"value = {text}")["value"] for key, text in entry.parts.items()}
    if entry.codes:
        parts["codes"] = dict(entry.codes)
    return parts["column"] if list(parts) == ["column"] else parts
