"""Rules as boolean columns, computed as sets in DuckDB: true for sound, false for broken, null for not judged.

A rule is not judged where a field that it reads has been found at fault, where it reads the parent and the parent is
not known, or where its own predicate is null. Great Expectations then judges the columns.

Rows are judged against the registry as it would be afterwards: where the delivery corrects a parent or a sibling and
nothing has held the correction back, the correction counts, not what it replaces.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from registry import field_names_sql, key_equal_sql, literal, quoted
from registry.definition import PATIENT, RECORD_TYPES, SESSION, RecordType, Rule, Severity, record_type
from registry.definition.row_checks import CONSENT_WITHDRAWN, PATIENT_ERASED

from .checks import (
    CONSENT_STANDS,
    KEY_IS_ALONE,
    KEY_IS_CURRENT,
    NOT_ERASED,
    PARENT_HELD_BACK,
    PARENT_IN_REGISTRY,
    PARENT_IS_THE_SAME,
    child_column,
)
from .names import ALIAS, BARRED, good, held, typed

FIELDS_AT_FAULT = "fields_at_fault"
"""Temporary table: `record_type`, `row_id`, `fields` (names of the fields found at fault, none twice)."""

SOUND_SO_FAR = "sound_so_far"
"""Temporary table: `row_id` of the candidates of the record type at hand that nothing has held back."""

_READS_PARENT = re.compile(r"\bparent\.([a-z_0-9]+)")


def row_rules_sql(record: RecordType) -> str:
    """One row a candidate: `row_id` and a column for every check that looks at a row, its key and its parent."""
    columns = [_key_is_alone(record), *_bar_columns(record), *_parent_columns(record)]
    if record.parent_key is not None:
        columns.append(f"own.{quoted(record.parent_key)} = former_parent as {PARENT_IS_THE_SAME}")
    columns += [_rule_column(rule) for rule in record.rules if not rule.across_siblings]
    return f"select row_id, {', '.join(columns)} from ({_judged(record, _candidates(record))}) as own"


def sibling_rules_sql(record: RecordType) -> str:
    """One row a candidate that nothing has held back so far, judged together with its siblings in the registry."""
    fields, parent_key = field_names_sql(record), quoted(str(record.parent_key))
    sound = f"(from {typed(record)} semi join {SOUND_SO_FAR} using (row_id))"
    rows = (
        f"select row_id, {fields} from {sound} union all select null, {field_names_sql(record, 'held')} "
        f"from {quoted(record.name)} as held semi join {sound} as sound on held.{parent_key} = sound.{parent_key} "
        f"anti join {sound} as new on {key_equal_sql(record, 'held', 'new')}"
    )
    columns = ", ".join(_rule_column(rule) for rule in record.rules if rule.across_siblings)
    return f"select * from (select row_id, {columns} from ({_judged(record, rows)})) where row_id is not null"


def rules_of_children(record: RecordType) -> list[tuple[RecordType, Rule]]:
    """The rules by which records that refer to one of this type hold it back, with the type of those records."""
    return [
        (child, rule)
        for child in RECORD_TYPES
        if child.parent == record.name
        for rule in child.rules
        if rule.severity is Severity.HOLD and _READS_PARENT.search(rule.holds)
    ]


def child_rules_sql(record: RecordType) -> str:
    """One row a correction that is to be written: `row_id`, and a column for every rule of `rules_of_children`.

    A column is false where a row of the registry that refers to the correction, and is not corrected itself, kept the
    rule before and would break it now.
    """
    parent_key = quoted(record.key[0])
    joins, columns = [], []
    for number, child in enumerate(child for child in RECORD_TYPES if child.parent == record.name):
        rules = [rule for owner, rule in rules_of_children(record) if owner is child]
        if not rules:
            continue
        own_key = f"own.{quoted(str(child.parent_key))}"
        staying = (
            f"from {quoted(child.name)} as own anti join {good(child)} as new on {key_equal_sql(child, 'own', 'new')} "
        )

        def judged(parent: str, staying: str = staying, own_key: str = own_key, rules: list[Rule] = rules) -> str:
            outcomes = ", ".join(f"({rule.holds}) as {quoted(rule.name)}" for rule in rules)
            return (
                f"select child_row, row_id, {outcomes} from (select own.*, own.rowid as child_row, parent, "
                f"corrected.row_id {staying} join {good(record)} as corrected on corrected.{parent_key} = {own_key} "
                f"join {parent} as parent on parent.{parent_key} = {own_key} where corrected.key_is_known)"
            )

        kept = ", ".join(
            f"bool_and(coalesce(after.{quoted(rule.name)}, true) or not coalesce(before.{quoted(rule.name)}, true)) "
            f"as {quoted(child_column(child, rule))}"
            for rule in rules
        )
        joins.append(
            f"left join (select after.row_id, {kept} from ({judged(good(record))}) as after "
            f"join ({judged(quoted(record.name))}) as before using (child_row) group by all) as child_{number} "
            f"on child_{number}.row_id = own.row_id"
        )
        columns += [quoted(child_column(child, rule)) for rule in rules]
    return (
        f"select own.row_id, {', '.join(columns)} from {good(record)} as own {' '.join(joins)} where own.key_is_known"
    )


def _candidates(record: RecordType) -> str:
    """The candidates, with the parent to which the registry has those it knows refer."""
    candidates = f"select * from {typed(record)} where standing = 'candidate'"
    if record.parent_key is None:
        return candidates
    known = (  # nothing of the registry is read where there is none
        f"from {quoted(record.name)} as held semi join (from {typed(record)} where key_is_known) as own "
        f"on {key_equal_sql(record, 'held', 'own')}"
    )
    return (
        f"select new.*, former.{quoted(record.parent_key)} as former_parent from ({candidates}) as new "
        f"left join ({known}) as former on {key_equal_sql(record, 'new', 'former')}"
    )


def _judged(record: RecordType, rows: str) -> str:
    """The rows with the fields at fault and the parent, as a struct of the fields that rules read of it."""
    select = ["own.*", "coalesce(fault.fields, []) as fields_at_fault"]
    joins = [
        f"left join {FIELDS_AT_FAULT} as fault on fault.record_type = {literal(record.name)} "
        "and fault.row_id = own.row_id"
    ]
    if record.parent and record.parent_key:
        parent = record_type(record.parent)
        parent_key = quoted(parent.key[0])
        own_key = f"own.{quoted(record.parent_key)}"
        select += [
            "parent",
            f"parent.{parent_key} is not null as parent_is_known",
            f"{own_key} is not null as parent_is_named",
            f"parent_held.{parent_key} is not null as parent_is_held_back",
        ]
        joins += [
            f"left join ({_parents(record, parent)}) as parent on parent.{parent_key} = {own_key}",
            f"left join (select distinct {parent_key} from {held(parent)}) as parent_held "
            f"on parent_held.{parent_key} = {own_key}",
        ]
    return f"select {', '.join(select)} from ({rows}) as own {' '.join(joins)}"


def _parents(record: RecordType, parent: RecordType) -> str:
    """The parents as they would be afterwards, as far as rules read them."""
    read = set(_READS_PARENT.findall(" ".join(rule.holds for rule in record.rules)))
    names = ", ".join(quoted(name) for name in parent.field_names if name in read | set(parent.key))
    return (
        f"select {names} from {quoted(parent.name)} as held "
        f"anti join (from {good(parent)} where key_is_known) as new on {key_equal_sql(parent, 'held', 'new')} "
        f"union all select {names} from {good(parent)}"
    )


def _key_is_alone(record: RecordType) -> str:
    names = ", ".join(quoted(name) for name in record.key)
    has_key = " and ".join(f"own.{quoted(name)} is not null" for name in record.key)
    repeated = (
        f"select {names} from {typed(record)} as own where standing = 'candidate' and {has_key} "
        "group by all having count(*) > 1"
    )
    key = ", ".join(f"own.{quoted(name)}" for name in record.key)
    return f"case when {has_key} then ({key}) not in ({repeated}) end as {KEY_IS_ALONE}"


def _bar_columns(record: RecordType) -> list[str]:
    """Whether the row's patient was erased, has withdrawn consent, or goes by another key now."""
    keys = [(PATIENT, name) for name in record.field_names if name == PATIENT.key[0]]
    keys += [(SESSION, name) for name in record.field_names if name == SESSION.key[0]]
    if not keys:
        return []

    def stands(rule: str, column: str) -> str:
        barred = " or ".join(
            f"own.{quoted(name)} in (select key from {BARRED} where record_type = {literal(named.name)} "
            f"and rule = {literal(rule)})"
            for named, name in keys
        )
        return f"not coalesce({barred}, false) as {column}"

    columns = [stands(PATIENT_ERASED, NOT_ERASED)]
    if record.name == PATIENT.name:
        columns.append(
            f"not coalesce(own.{quoted(PATIENT.key[0])} in (select other_key from {ALIAS}), false) as {KEY_IS_CURRENT}"
        )
    else:
        columns.append(stands(CONSENT_WITHDRAWN, CONSENT_STANDS))
    return columns


def _parent_columns(record: RecordType) -> Sequence[str]:
    if record.parent is None:
        return []
    return [
        f"case when parent_is_named then parent_is_known or {sound} end as {column}"
        for column, sound in (
            (PARENT_HELD_BACK, "not parent_is_held_back"),
            (PARENT_IN_REGISTRY, "parent_is_held_back"),
        )
    ]


def _rule_column(rule: Rule) -> str:
    fields = ", ".join(literal(name) for name in rule.fields)
    not_judged = f"list_has_any(fields_at_fault, [{fields}])"
    if _READS_PARENT.search(rule.holds):
        not_judged += " or not parent_is_known"
    return f"case when {not_judged} then null else ({rule.holds}) end as {quoted(rule.name)}"
