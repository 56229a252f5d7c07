"""Rules as boolean columns, computed as sets in DuckDB: true for sound, false for broken, null for not judged.

A rule is not judged where a field that it reads has been found at fault, where it reads the parent and the parent is
not known, or where its own predicate is null. Great Expectations then judges the columns.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from registry import literal, quoted
from registry.definition import RecordType, Rule, record_type

from . import known_keys
from .checks import PARENT_HELD_BACK, PARENT_IN_REGISTRY
from .typed import typed

FIELDS_AT_FAULT = "fields_at_fault"
"""Temporary table: `record_type`, `row_id`, `fields` (names of the fields found at fault, none twice)."""

SOUND_SO_FAR = "sound_so_far"
"""Temporary table: `row_id` of the candidates of the record type at hand that nothing has held back."""


def good(record: RecordType) -> str:
    """Name of the table of a delivery's rows that are to be loaded."""
    return f"good_{record.name}"


def held(record: RecordType) -> str:
    """Name of the table of a delivery's rows that are held back."""
    return f"held_{record.name}"


def row_rules_sql(record: RecordType) -> str:
    """One row a candidate: `row_id` and a column for every check that can be made row by row."""
    columns = [f"{known_keys.SQL} as {known_keys.COLUMN}", *_parent_columns(record)]
    columns += [_rule_column(rule) for rule in record.rules if not rule.across_siblings]
    return f"select row_id, {', '.join(columns)} from ({_judged(record, _candidates(record))})"


def sibling_rules_sql(record: RecordType) -> str:
    """One row a candidate that nothing has held back so far, judged together with the rows of the registry."""
    names = ", ".join(quoted(name) for name in record.field_names)
    rows = (
        f"select row_id, {names} from {typed(record)} where row_id in (select row_id from {SOUND_SO_FAR}) "
        f"union all select null, {names} from {quoted(record.name)}"
    )
    columns = ", ".join(_rule_column(rule) for rule in record.rules if rule.across_siblings)
    return f"select * from (select row_id, {columns} from ({_judged(record, rows)})) where row_id is not null"


def _candidates(record: RecordType) -> str:
    return f"select * from {typed(record)} where standing = 'candidate'"


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
    read = set(re.findall(r"\bparent\.([a-z_0-9]+)", " ".join(rule.holds for rule in record.rules)))
    names = ", ".join(quoted(name) for name in parent.field_names if name in read | set(parent.key))
    return f"select {names} from {quoted(parent.name)} union all select {names} from {good(parent)}"


def _parent_columns(record: RecordType) -> Sequence[str]:
    if record.parent is None:
        return []
    return [
        f"case when parent_is_named and not parent_is_known then {sound} end as {column}"
        for column, sound in (
            (PARENT_HELD_BACK, "not parent_is_held_back"),
            (PARENT_IN_REGISTRY, "parent_is_held_back"),
        )
    ]


def _rule_column(rule: Rule) -> str:
    fields = ", ".join(literal(name) for name in rule.fields)
    not_judged = f"list_has_any(fields_at_fault, [{fields}])"
    if re.search(r"\bparent\.", rule.holds):
        not_judged += " or not parent_is_known"
    return f"case when {not_judged} then null else ({rule.holds}) end as {quoted(rule.name)}"
