"""Which records a sheet holds, and which column goes to which field."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from collections.abc import Mapping as MappingOf
from dataclasses import dataclass, field

from registry import RECORD_TYPES, Settings
from registry.definition import RecordType, record_type

from ...identifiers.words import words_of
from ...sources import SourceSheet
from ..words import plain
from .columns import Column, make_column
from .labels import LabelGroup, label_groups
from .matching import ACCEPTED, fit, name_fit
from .vocabulary import code_answers, field_names, record_names, telling_words

_SHEET_NAME_BONUS = 3.0
_SAME = 0.97
_ENOUGH_FOR_A_RECORD = 2


@dataclass(frozen=True)
class RecordPlan:
    """Columns of a sheet for one record type.

    fields: field name to column, or to several yes/no columns for a set of codes.
    group: of the labels, where a row gives several records.
    """

    record: RecordType
    fields: MappingOf[str, Column]
    yes_columns: MappingOf[str, MappingOf[str, Column]] = field(default_factory=dict)
    group: LabelGroup | None = None


@dataclass(frozen=True)
class SheetPlan:
    """What a sheet is proposed to give. undecided: columns without a place, each with the fields that come closest."""

    sheet: SourceSheet
    records: tuple[RecordPlan, ...]
    undecided: MappingOf[str, tuple[str, ...]]
    empty: tuple[str, ...]


Scores = dict[tuple[str, str], list[tuple[float, str]]]
"""Record type and field to the columns that fit it, the best first."""


def sheet_plan(
    sheet: SourceSheet, withheld: frozenset[str], others: Sequence[RecordType], settings: Settings | None
) -> SheetPlan:
    """The plan of a sheet.

    withheld: columns whose values may not be written.
    others: record types that other sheets are named for.
    """
    height = sheet.frame.height
    columns = {
        name: make_column(name, [sheet.frame[name]], may_be_written=name not in withheld)
        for name in sheet.frame.columns
    }
    groups = label_groups([name for name, column in columns.items() if not _is_a_name(column)])
    scores = _scores(columns, settings)
    base = _base_record(sheet, scores, {name for group in groups for name in group.names})
    repeated, taken = _repeated(sheet, groups, withheld, settings)
    empty = tuple(name for name in columns if name not in taken and 0 < height == sheet.frame[name].null_count())
    left = {name: column for name, column in columns.items() if name not in taken and name not in empty}
    plans = []
    beside = next((plan for plan in repeated if plan.record == base), None)
    main = _assigned(left, scores, base)
    if beside is not None:
        main = {name: column for name, column in main.items() if name not in beside.fields} | dict(beside.fields)
        repeated.remove(beside)
    yes = _yes_columns(left, main, base)
    plans.append(RecordPlan(base, main, yes, beside.group if beside else None))
    used = {column.name for column in main.values()} | {name for sets in yes.values() for name in sets}
    if base.name == "session" and not any(other.name == "patient" for other in others):
        patient = record_type("patient")
        rest = {name: column for name, column in left.items() if name not in used}
        about_patient = _assigned(rest, scores, patient)
        if len(about_patient) >= _ENOUGH_FOR_A_RECORD and "patient_key" in main:
            plans.insert(0, RecordPlan(patient, {"patient_key": main["patient_key"], **about_patient}))
            used |= {column.name for column in about_patient.values()}
    plans += repeated
    undecided = {name: _closest(name, scores) for name in left if name not in used}
    return SheetPlan(sheet, tuple(plans), undecided, empty)


def named_record(sheet: SourceSheet) -> RecordType | None:
    """The record type after which a sheet or its file is called; None where it is none."""
    texts = [text for text in (sheet.sheet, sheet.file_name.rsplit("/", 1)[-1].rsplit(".", 1)[0]) if text]
    for text in texts:
        best = max(RECORD_TYPES, key=lambda record: name_fit(telling_words(text), record_names(record)))
        if name_fit(telling_words(text), record_names(best)) > 0.7:
            return best
    return None


def _scores(columns: MappingOf[str, Column], settings: Settings | None) -> Scores:
    found = {}
    for record in RECORD_TYPES:
        for declared in record.fields:
            fitting = [(fit(column, record, declared, settings), name) for name, column in columns.items()]
            found[record.name, declared.name] = sorted(
                ((score, name) for score, name in fitting if score > 0.3), key=lambda pair: -pair[0]
            )
    return found


def _is_a_name(column: Column) -> bool:
    """Whether a column is called as a field is, digits and letters in its name included."""
    words = words_of(column.name)
    return any(
        name_fit(words, field_names(record, declared)) >= _SAME for record in RECORD_TYPES for declared in record.fields
    )


def _base_record(sheet: SourceSheet, scores: Scores, grouped: Collection[str]) -> RecordType:
    """The record type of which a row is one: its columns fit best, or the sheet is called after it.

    grouped: columns that stand side by side for several records, and so tell nothing of the row as a whole.
    """
    named = named_record(sheet)

    def total(record: RecordType) -> float:
        best: dict[str, float] = {}
        for declared in record.fields:
            if matches := [pair for pair in scores[record.name, declared.name] if pair[1] not in grouped]:
                score, name = matches[0]
                if score >= ACCEPTED:
                    best[name] = max(best.get(name, 0.0), score)
        return sum(best.values()) + (_SHEET_NAME_BONUS if named == record else 0.0)

    best = max(RECORD_TYPES, key=total)
    session = record_type("session")
    if best.name == "patient" and named != best:
        surgery = [
            name
            for name in ("performed_on", "technique", "grafts_total", "surgeon_code", "duration_hours")
            if scores["session", name] and scores["session", name][0][0] >= 0.8
        ]
        if len(surgery) >= 3:
            return session
    return best


def _assigned(
    columns: MappingOf[str, Column],
    scores: Scores,
    record: RecordType,
) -> dict[str, Column]:
    """Fields of the record with the columns that fit them, the best fit first, each column once."""
    ordered = sorted(
        (-score, position, declared.name, name)
        for position, declared in enumerate(record.fields)
        for score, name in scores[record.name, declared.name]
        if name in columns and score >= ACCEPTED
    )
    fields: dict[str, Column] = {}
    used: set[str] = set()
    for _, _, name, column in ordered:
        if name not in fields and column not in used:
            fields[name] = columns[column]
            used.add(column)
    return {declared.name: fields[declared.name] for declared in record.fields if declared.name in fields}


def _yes_columns(
    columns: MappingOf[str, Column], assigned: MappingOf[str, Column], record: RecordType
) -> dict[str, dict[str, Column]]:
    """Sets of codes that are asked in a column a code: column names that are called after codes and hold yes or no."""
    used = {column.name for column in assigned.values()}
    yes_no = _yes_no_answers()
    free = [
        column
        for column in columns.values()
        if column.name not in used and column.answers and all(answer in yes_no for answer in map(plain, column.answers))
    ]
    found: dict[str, dict[str, Column]] = {}
    for declared in record.fields:
        if declared.kind != "set of codes" or declared.name in assigned:
            continue
        answers = code_answers(declared)
        chosen: dict[str, tuple[str, Column]] = {}
        for column in free:
            code = _code_of_name(column, answers)
            if code is not None and code not in chosen:
                chosen[code] = (code, column)
        if len(chosen) >= _ENOUGH_FOR_A_RECORD:
            found[declared.name] = {column.name: column for _, column in chosen.values()}
            free = [column for column in free if column.name not in found[declared.name]]
    return found


def _yes_no_answers() -> frozenset[str]:
    visit = record_type("visit")
    return frozenset(code_answers(visit.field("crusts_present")))


def code_of_yes_column(column: Column, record: RecordType, name: str) -> str | None:
    """The code after which a yes/no column is called."""
    return _code_of_name(column, code_answers(record.field(name)))


def _code_of_name(column: Column, answers: MappingOf[str, str]) -> str | None:
    """The code whose answer is the longest among the words of the name."""
    words = " ".join(column.words)
    fitting = [
        answer for answer in answers if len(answer) > 2 and f" {' '.join(telling_words(answer))} " in f" {words} "
    ]
    return answers[max(fitting, key=len)] if fitting else None


def _repeated(
    sheet: SourceSheet, groups: Sequence[LabelGroup], withheld: frozenset[str], settings: Settings | None
) -> tuple[list[RecordPlan], set[str]]:
    """Records that stand side by side in a row, and the columns that they take."""
    plans: list[RecordPlan] = []
    taken: set[str] = set()
    candidates = {"time": ("visit",), "letter": ("graft_count",), "number": ("complication", "visit", "graft_count")}
    for group in groups:
        joint = {
            template: make_column(
                template,
                [sheet.frame[name] for name in by_label.values()],
                may_be_written=withheld.isdisjoint(by_label.values()),
                named=template.replace("{label}", " "),
            )
            for template, by_label in group.columns.items()
        }
        group_scores = _scores(joint, settings)
        best: RecordPlan | None = None
        for name in candidates[group.kind]:
            record = record_type(name)
            fields = _assigned(joint, group_scores, record)
            telling = [field_name for field_name in fields if field_name not in (*record.key, record.parent_key)]
            if telling and (best is None or len(fields) > len(best.fields)):
                best = RecordPlan(record, fields, group=group)
        if best is None:
            continue
        used = {column.name for column in best.fields.values()}
        taken |= {name for template in used for name in group.columns[template].values()}
        labels = tuple(label for label in group.labels if any(label in group.columns[template] for template in used))
        kept = LabelGroup(group.kind, labels, {template: group.columns[template] for template in used})
        plans.append(RecordPlan(best.record, best.fields, group=kept))
    return plans, taken


def _closest(name: str, scores: Scores) -> tuple[str, ...]:
    """The fields that come closest to a column, as record.field."""
    near = sorted(
        (
            (-score, f"{record}.{declared}")
            for (record, declared), matches in scores.items()
            for score, column in matches
            if column == name and score >= 0.4
        ),
    )
    return tuple(dict.fromkeys(path for _, path in near))[:3]
