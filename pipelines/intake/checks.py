"""The checks of a record type, derived from its declaration: which expectation stands for what, and what a user reads.

| declared | check | expectation over |
|---|---|---|
| required | missing_required | the text is not null |
| codes, yes/no, codes of the settings | unknown_code | the text is in the set, or matches the set's pattern |
| a key, of its own or another record | wrong_format | `<field>:written`, computed in DuckDB, is true |
| another kind with a pattern | wrong_format | the text matches it |
| a date | no_such_date | `<field>:exists`, computed in DuckDB, is true |
| low, high; earliest date | out_of_range | `<field>:number` is between them (dates: days since the earliest) |
| warn_low, warn_high | unlikely_value | the same column, with severity warning |
| key | duplicate_key, key_was_merged | the columns of `rules.py` are true |
| patient | patient_erased, consent_withdrawn | the same |
| parent | unknown_patient, unknown_session | the same |
| a rule | its own name | the rule's column is true (null: not judged) |
| a rule of children | contradicts_its_records | the same, for corrections |

What an expectation finds is what holds a row back: there is no second opinion.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from registry import Settings
from registry.definition import (
    EARLIEST_DATE,
    PATIENT,
    SESSION,
    Field,
    Kind,
    RecordType,
    Rule,
    Severity,
    unknown_parent_check,
)
from registry.definition import row_checks as names

_PARENT_FIELD = re.compile(r"\bparent\.([a-z_0-9]+)")


NOT_NULL = "ExpectColumnValuesToNotBeNull"
"""The one expectation that says anything of an empty value."""


@dataclass(frozen=True)
class Check:
    """One expectation, and what it means for a row that fails it.

    rule: the name under which such rows are counted.
    field: the field named to the user.
    expectation, arguments: class of great_expectations.expectations, and what it is made with.
    reason, mend: for the user.
    """

    rule: str
    field: str
    expectation: str
    arguments: Mapping[str, Any]
    reason: str
    mend: str
    severity: Severity = Severity.HOLD


def number_column(declared: Field) -> str:
    """Name of the column with a field's value as a number, or as days since the earliest date."""
    return f"{declared.name}:number"


def exists_column(declared: Field) -> str:
    """Name of the column that tells whether a well-written date is in the calendar."""
    return f"{declared.name}:exists"


def written_column(declared: Field) -> str:
    """Name of the column that tells whether a key is written like one; null where there is none."""
    return f"{declared.name}:written"


def judged_column(declared: Field) -> str:
    """Name of the column that stands for a field's text: keys, all of them different, are judged by how they look."""
    return written_column(declared) if declared.kind is Kind.PSEUDONYM else declared.name


def field_checks(declared: Field, settings: Settings) -> list[Check]:
    """The checks of one field by itself."""
    checks = []
    if declared.required:
        checks.append(
            Check(
                names.MISSING_REQUIRED,
                declared.name,
                NOT_NULL,
                {"column": judged_column(declared)},
                "a required field is empty",
                _ask_for(declared),
            )
        )
    checks.append(_text_check(declared, settings))
    if declared.kind is Kind.DATE:
        checks.append(
            _is_true(
                names.NO_SUCH_DATE,
                declared.name,
                exists_column(declared),
                "there is no such day in the calendar",
                "Check day and month.",
            )
        )
    return checks + _range_checks(declared)


def _text_check(declared: Field, settings: Settings) -> Check:
    allowed_codes = _allowed_codes(declared, settings)
    if allowed_codes is not None:
        return Check(
            names.UNKNOWN_CODE,
            declared.name,
            "ExpectColumnValuesToBeInSet",
            {"column": declared.name, "value_set": list(allowed_codes)},
            "the value is not one of the field's codes",
            _ask_for(declared),
        )
    if declared.kind is Kind.PSEUDONYM:
        reason = "the value is not written as its field asks"
        return _is_true(names.WRONG_FORMAT, declared.name, judged_column(declared), reason, _ask_for(declared))
    is_set = declared.kind is Kind.CODE_SET
    return Check(
        names.UNKNOWN_CODE if is_set else names.WRONG_FORMAT,
        declared.name,
        "ExpectColumnValuesToMatchRegex",
        {"column": declared.name, "regex": declared.pattern},
        "a value is not one of the field's codes" if is_set else "the value is not written as its field asks",
        _ask_for(declared),
    )


def _ask_for(declared: Field) -> str:
    match declared.kind:
        case Kind.CODE | Kind.YES_NO:
            return f"Give one of: {declared.allowed}."
        case Kind.NUMBER:
            return f"Give a number: {declared.allowed}."
        case _:
            return f"Give {declared.allowed}."


def _allowed_codes(declared: Field, settings: Settings) -> tuple[str, ...] | None:
    match declared.kind:
        case Kind.CODE:
            assert declared.codes is not None
            return declared.codes.names
        case Kind.YES_NO:
            return ("yes", "no")
        case Kind.SITE:
            return settings.sites + declared.also_allowed
        case Kind.SURGEON:
            return settings.surgeons + declared.also_allowed
        case _:
            return None


def _range_checks(declared: Field) -> list[Check]:
    def between(rule: str, low: float | None, high: float | None, reason: str, mend: str, severity: Severity) -> Check:
        return Check(
            rule,
            declared.name,
            "ExpectColumnValuesToBeBetween",
            {"column": number_column(declared), "min_value": low, "max_value": high},
            reason,
            mend,
            severity,
        )

    checks = []
    if declared.kind is Kind.DATE:
        reason = f"the date is before {EARLIEST_DATE}"
        checks.append(between(names.OUT_OF_RANGE, 0, None, reason, "Check the year.", Severity.HOLD))
    elif declared.kind in (Kind.INTEGER, Kind.NUMBER):
        reason, mend = "the value is out of range", f"Allowed: {declared.allowed}."
        checks.append(between(names.OUT_OF_RANGE, declared.low, declared.high, reason, mend, Severity.HOLD))
    if declared.warn_low is not None or declared.warn_high is not None:
        reason, mend = "the value is possible, yet unlikely", "It is kept. Check the value and its unit."
        checks.append(between(names.UNLIKELY_VALUE, declared.warn_low, declared.warn_high, reason, mend, Severity.WARN))
    return checks


KEY_IS_ALONE = "key_is_alone"
KEY_IS_CURRENT = "key_is_current"
NOT_ERASED = "not_erased"
PARENT_IS_THE_SAME = "parent_is_the_same"
CONSENT_STANDS = "consent_stands"


def key_checks(record: RecordType) -> list[Check]:
    """The key is unique among the new rows, and its patient was not merged, erased or withdrawn."""
    checks = [
        _is_true(
            names.DUPLICATE_KEY,
            record.key[0],
            KEY_IS_ALONE,
            "another row of this delivery has the same key and other content",
            "Send the row that is right, once.",
        )
    ]
    if record.name == PATIENT.name:
        checks.append(
            _is_true(
                names.KEY_WAS_MERGED,
                record.key[0],
                KEY_IS_CURRENT,
                "the key was merged into another key of the same patient",
                "Send the patient under the key that was kept, or undo it: graftledger merge-patients --undo.",
            )
        )
    reference = next((name for name in record.field_names if name in (PATIENT.key[0], SESSION.key[0])), None)
    if reference is not None:
        reference = record.parent_key or reference
        checks.append(
            _is_true(
                names.PATIENT_ERASED,
                reference,
                NOT_ERASED,
                "the patient was erased from the registry",
                "Take the patient out of what you send. Nothing of the row was kept.",
            )
        )
        if record.name != PATIENT.name:
            checks.append(
                _is_true(
                    names.CONSENT_WITHDRAWN,
                    reference,
                    CONSENT_STANDS,
                    "the patient has withdrawn consent",
                    "Take the patient out of what you send. Nothing of the row was kept.",
                )
            )
    return checks


def same_parent_check(record: RecordType) -> list[Check]:
    """A correction refers to what the record refers to: a key used by mistake must not overwrite another's record."""
    if record.parent is None or record.parent_key is None:
        return []
    return [
        _is_true(
            names.REFERS_ELSEWHERE,
            record.parent_key,
            PARENT_IS_THE_SAME,
            f"the registry holds this {record.key[0]} under another {record.parent}",
            f"Check both keys. If the {record.name} was filed under the wrong {record.parent}, take the row in with "
            "--refile.",
        )
    ]


def rule_checks(record: RecordType, *, across_siblings: bool) -> list[Check]:
    """The record type's own rules: those judged row by row, or those judged over all rows of the type."""
    return [
        _is_true(rule.name, rule.fields[0], rule.name, rule.reason, rule.mend, rule.severity)
        for rule in record.rules
        if rule.across_siblings == across_siblings
    ]


def child_column(child: RecordType, rule: Rule) -> str:
    """Name of the column that tells whether records of a type still keep a rule once their parent is corrected."""
    return f"{child.name}:{rule.name}"


def child_check(record: RecordType, child: RecordType, rule: Rule) -> Check:
    """No record of the registry that refers to a correction would break a rule by it."""
    return _is_true(
        names.CONTRADICTS_ITS_RECORDS,
        next((name for name in _PARENT_FIELD.findall(rule.holds)), record.key[0]),
        child_column(child, rule),
        f"{child.plural} in the registry would break {rule.name} by this correction: {rule.reason}",
        f"Correct those {child.plural} in the same delivery, or check this row.",
    )


PARENT_HELD_BACK = "parent_not_held_back"
PARENT_IN_REGISTRY = "parent_in_registry"


def parent_checks(record: RecordType) -> list[Check]:
    """The record that a row refers to is known: one rule, two reasons."""
    if record.parent is None or record.parent_key is None:
        return []
    rule = unknown_parent_check(record)
    return [
        _is_true(
            rule,
            record.parent_key,
            PARENT_HELD_BACK,
            f"its {record.parent} was held back in this delivery",
            f"Mend the {record.parent} and send it again: this row then follows by itself.",
        ),
        _is_true(
            rule,
            record.parent_key,
            PARENT_IN_REGISTRY,
            f"its {record.parent} is neither in the registry nor in this delivery",
            f"Send the {record.parent} too: this row then follows by itself. Or correct {record.parent_key}.",
        ),
    ]


def _is_true(
    rule: str, field_name: str, column: str, reason: str, mend: str, severity: Severity = Severity.HOLD
) -> Check:
    arguments = {"column": column, "value_set": [True]}
    return Check(rule, field_name, "ExpectColumnValuesToBeInSet", arguments, reason, mend, severity)
