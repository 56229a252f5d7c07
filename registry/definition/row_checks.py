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
CONTRADICTS_ITS_RECORDS = "contradicts_its_records"
REFERS_ELSEWHERE = "refers_elsewhere"
KEY_WAS_MERGED = "key_was_merged"
CONSENT_WITHDRAWN = "consent_withdrawn"
PATIENT_ERASED = "patient_erased"

ROW_CHECKS: dict[str, str] = {
    MISSING_REQUIRED: "a required field is empty",
    UNKNOWN_CODE: "a value is not one of the field's codes",
    WRONG_FORMAT: "a value is not written as its field asks",
    NO_SUCH_DATE: "a date that no calendar has",
    OUT_OF_RANGE: "a value outside the field's range",
    UNLIKELY_VALUE: "a value inside the range, yet unlikely: the row is kept, with a warning",
    DUPLICATE_KEY: "two rows of one delivery have the same key and differ: neither is taken",
    CONTRADICTS_ITS_RECORDS: "a correction that records in the registry which refer to the row would contradict",
    REFERS_ELSEWHERE: "a correction that would move the record to another patient or session, without being asked to",
    "unknown_patient": "the row's patient is not in the registry, or was held back with it: it waits for the patient",
    "unknown_session": "the row's session is not in the registry, or was held back with it: it waits for the session",
    KEY_WAS_MERGED: "the patient's key was merged into another: the patient comes under the key that was kept",
    CONSENT_WITHDRAWN: "the patient has withdrawn consent: refused, and nothing is kept but the patient's key",
    PATIENT_ERASED: "the patient was erased: refused, and nothing of the row is kept",
}


def unknown_parent_check(record: RecordType) -> str:
    """Name of the check that the record a row refers to is known."""
    return f"unknown_{record.parent}"
