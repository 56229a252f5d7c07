"""The checks that every record type shares, by name; they follow from a field's declaration and the keys.

Together with each record type's own rules these are all the names under which a row is held back or warned of.
"""

from __future__ import annotations

from ._field import RecordType

MISSING_REQUIRED = "missing_required"
UNKNOWN_CODE = "unknown_code"
WRONG_FORMAT = "wrong_format"
NO_SUCH_DATE = "no_such_date"
OUT_OF_RANGE = "out_of_range"
UNLIKELY_VALUE = "unlikely_value"
DUPLICATE_KEY = "duplicate_key"
KNOWN_KEY_OTHER_CONTENT = "known_key_other_content"

ROW_CHECKS: dict[str, str] = {
    MISSING_REQUIRED: "a required field is empty",
    UNKNOWN_CODE: "a value is not one of the field's codes",
    WRONG_FORMAT: "a value is not written as its field asks",
    NO_SUCH_DATE: "a date that no calendar has",
    OUT_OF_RANGE: "a value outside the field's range",
    UNLIKELY_VALUE: "a value inside the range, yet unlikely: the row is kept, with a warning",
    DUPLICATE_KEY: "two rows of one delivery have the same key and differ: neither is taken",
    KNOWN_KEY_OTHER_CONTENT: "the registry holds this key with other content",
    "unknown_patient": "the row's patient is not in the registry, or was held back with it",
    "unknown_session": "the row's session is not in the registry, or was held back with it",
}


def unknown_parent_check(record: RecordType) -> str:
    """Name of the check that the record a row refers to is known."""
    return f"unknown_{record.parent}"
