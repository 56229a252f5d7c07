"""What is asked about how sessions are prepared and followed: names and labels, written once."""

from __future__ import annotations

from registry.definition import record_type
from registry.milestones import DAY_1, DAY_7

MEDICINES_REVIEWED = "medicines_reviewed"
ALLERGIES_RECORDED = "allergies_recorded"
SUTURES_ON_TIME = "sutures_out_on_time"
CONTACT_DAY_1, CONTACT_DAY_7 = "contact_day_1", "contact_day_7"
CONTACTS = {CONTACT_DAY_1: DAY_1, CONTACT_DAY_7: DAY_7}
"""Contacts of the first week, and the milestone that each serves."""

_TESTS = record_type("session").field("tests_done").codes
assert _TESTS is not None
TESTS = {f"test_{code.name}": code for code in _TESTS.codes if code.name != "none"}
"""Measures of blood tests, and the code that says that the test was done."""

PROCESS_LABELS: dict[str, str] = {
    MEDICINES_REVIEWED: "Bleeding-risk medicines reviewed",
    ALLERGIES_RECORDED: "Allergies recorded",
    **{measure: code.meaning for measure, code in TESTS.items()},
    CONTACT_DAY_1: f"Contact on {DAY_1.label}",
    CONTACT_DAY_7: f"Contact on {DAY_7.label}",
    SUTURES_ON_TIME: f"Sutures out on day {DAY_7.opens} to {DAY_7.closes}",
}
