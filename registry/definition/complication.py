"""The complication record: one event of one session."""

from __future__ import annotations

from . import codes
from ._field import Field, Kind, RecordType, Rule

COMPLICATION = RecordType(
    name="complication",
    plural="complications",
    meaning="One event of one session.",
    key=("complication_key",),
    parent="session",
    fields=(
        Field("complication_key", Kind.PSEUDONYM, "Complication key", "Pseudonym of the event.", required=True),
        Field(
            "session_key",
            Kind.PSEUDONYM,
            "Session key",
            "The session that it followed.",
            required=True,
            refers_to="session",
        ),
        Field("kind", Kind.CODE, "Kind", "What happened.", required=True, codes=codes.COMPLICATION_KIND),
        Field(
            "severity",
            Kind.CODE,
            "Severity",
            "What it took to treat.",
            required=True,
            codes=codes.COMPLICATION_SEVERITY,
        ),
        Field(
            "clavien_dindo",
            Kind.CODE,
            "Clavien-Dindo grade",
            "Grade by treatment needed (Dindo, Demartines & Clavien 2004, Ann Surg 240:205-213).",
            codes=codes.CLAVIEN_DINDO,
        ),
        Field(
            "onset_day",
            Kind.INTEGER,
            "Onset",
            "Days from the session to the onset.",
            low=0,
            high=3650,
            unit="days",
        ),
        Field(
            "last_present_day",
            Kind.INTEGER,
            "Last present",
            "Days from the session to the last day on which it was seen.",
            low=0,
            high=7300,
            unit="days",
        ),
        Field(
            "first_absent_day",
            Kind.INTEGER,
            "First absent",
            "Days from the session to the first day on which it was seen to be gone; empty while not yet seen gone.",
            low=0,
            high=7300,
            unit="days",
        ),
        Field("treatment", Kind.CODE, "Treatment", "What was done.", codes=codes.TREATMENT),
    ),
    rules=(
        Rule(
            "present_after_onset",
            "complication",
            ("last_present_day", "onset_day"),
            "last_present_day >= onset_day",
            "last seen before its onset",
            "Check both days.",
        ),
        Rule(
            "absent_after_present",
            "complication",
            ("first_absent_day", "last_present_day"),
            "first_absent_day > last_present_day",
            "seen to be gone on or before the day it was last present",
            "Check both days.",
        ),
        Rule(
            "absent_after_onset",
            "complication",
            ("first_absent_day", "onset_day"),
            "first_absent_day >= onset_day",
            "seen to be gone before its onset",
            "Check both days.",
        ),
        Rule(
            "onset_not_in_future",
            "complication",
            ("onset_day",),
            "parent.performed_on + onset_day <= $today",
            "the onset lies in the future",
            "Check the day and the session key.",
        ),
    ),
)
