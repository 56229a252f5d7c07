"""The tables of an export: which columns each has, derived from the definition, and the SQL steps behind them."""

from __future__ import annotations

from dataclasses import dataclass, replace

from registry.definition import Code, Field, Kind, RecordType, record_type
from registry.definition._field import CodeList

from ..duration_measures import DURATION_MEASURES
from .columns import Column, Level, columns_of

CONSTANT = ("consent_scope",)
"""Fields that are the same for everybody in an export."""
KNOWN_LATER = ("status_at_last_contact",)
"""Required in the registry, but empty here where it became known after the last day of follow-up."""
NOT_ANONYMOUS = ("dates_shifted", "session_number", "sessions_elsewhere", "area_label")
"""Fields that would tell at the anonymous level what others no longer do."""


@dataclass(frozen=True)
class Table:
    """One table. relation: temporary table or view that it is read from, as `t`; tail: joins after it.

    sas_name: at most 8 letters. key: columns that together name a row.
    """

    name: str
    sas_name: str
    label: str
    meaning: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]
    relation: str
    tail: str = ""


_MEASURE = CodeList("measure", tuple(Code(measure.of, measure.label) for measure in DURATION_MEASURES))


def _days(name: str, label: str, meaning: str, *, low: float = 0, required: bool = False) -> Field:
    return Field(name, Kind.INTEGER, label, meaning, low=low, high=40000, unit="days", required=required)


def _yes_no(name: str, label: str, meaning: str) -> Field:
    return Field(name, Kind.YES_NO, label, meaning, required=True)


_INDEX_ON = Field("index_on", Kind.DATE, "Index session", "Day of the first session at this practice.", required=True)
_SESSIONS_HERE = Field(
    "sessions_here",
    Kind.INTEGER,
    "Sessions here",
    "Sessions at this practice that are in the records.",
    low=1,
    high=15,
    required=True,
)
_PATIENT_KEY, _SESSION_KEY = record_type("session").field("patient_key"), record_type("session").field("session_key")
_SESSION_FIELDS = (
    _days("session_day", "Day of session", "Days from the index session; below 0 for one before it.", low=-40000),
    _yes_no("is_index", "Index session", "Whether it is the patient's first session here."),
    Field("number_here", Kind.INTEGER, "Number here", "Number among the sessions here.", low=1, high=15),
)
_GAP_FIELDS = (
    _SESSION_KEY,
    _PATIENT_KEY,
    Field("gap_number", Kind.INTEGER, "Gap", "1 from the index session on.", low=1, high=15, required=True),
    _yes_no("first_operated_here", "First here", "Whether the first surgery anywhere was at this practice."),
    Field("start_on", Kind.DATE, "Session", "Day of the session that starts the gap.", required=True),
    Field("stop_on", Kind.DATE, "End", "Day on which the gap ended or was last seen open.", required=True),
    _days("start", "Start", "Day from which the gap is observed; above 0 for delayed entry.", required=True),
    _days("stop", "Stop", "Day on which the gap ended or was last seen open.", required=True),
    _yes_no("event", "Next session", "Whether the next session here ended the gap."),
    _yes_no("died", "Died", "Whether the gap ended with the patient's death."),
    _days("start_since_index", "Start since index", "The same, counted from the index session.", required=True),
    _days("stop_since_index", "Stop since index", "The same, counted from the index session.", required=True),
)
_DURATION_FIELDS = (
    _SESSION_KEY,
    _PATIENT_KEY,
    Field("measure", Kind.CODE, "Measure", "What lasted, or was waited for.", codes=_MEASURE, required=True),
    _days("left_day", "After day", "The last day on which it was still there, or 0.", required=True),
    _days("right_day", "By day", "The first day on which it was over; empty where that was never seen."),
)


def tables_at(level: Level, *, with_sites: bool = True) -> tuple[Table, ...]:
    """Every table read from the registry, with the columns that it has at a level."""

    def fields_of(record: RecordType) -> tuple[Field, ...]:
        barred = CONSTANT + (NOT_ANONYMOUS if level is Level.ANONYMOUS else ())
        return tuple(
            replace(field, required=field.required and field.name not in KNOWN_LATER)
            for field in record.fields
            if field.name not in barred
        )

    def columns(*fields: Field, own: str) -> tuple[Column, ...]:
        parents = {"patient_key": "patients", "session_key": "sessions"}
        return tuple(
            column
            for field in fields
            for column in columns_of(
                field,
                level,
                refers_to=None if field.name == own else parents.get(field.name),
                with_sites=with_sites,
            )
            if column.name != "index_day"  # 0 for everybody
        )

    def child(name: str, sas_name: str) -> Table:
        record = record_type(name)
        own = record.key[0]
        first, *others = fields_of(record)
        return Table(
            f"{name}s",
            sas_name,
            record.plural.capitalize(),
            record.meaning,
            record.key,
            columns(first, _PATIENT_KEY, *others, own=own),
            f"export_{name}",
        )

    patient, session = record_type("patient"), record_type("session")
    first, *others = fields_of(patient)
    return (
        Table(
            "patients",
            "PATIENTS",
            "Patients",
            "One row a patient of the cohort who consented to research.",
            ("patient_key",),
            columns(first, _INDEX_ON, _SESSIONS_HERE, *others, own="patient_key"),
            "export_patient",
        ),
        Table(
            "sessions",
            "SESSIONS",
            "Sessions",
            "One row a session of these patients.",
            ("session_key",),
            columns(*fields_of(session)[:2], *_SESSION_FIELDS, *fields_of(session)[2:], own="session_key"),
            "export_session",
        ),
        Table(
            "gaps",
            "GAPS",
            "Gaps between sessions",
            "One row a gap from a session here to the next one here, in counting-process form: observed over "
            "(start, stop], event at stop or not. Gaps that cannot be counted (shifted dates, day not known, no "
            "declared end of records) are left out.",
            ("session_key",),
            columns(*_GAP_FIELDS, own=""),
            "export_gap",
        ),
        child("visit", "VISITS"),
        child("complication", "COMPLIC"),
        child("graft_count", "COUNTS"),
        Table(
            "durations",
            "DURATION",
            "Durations after a session",
            "One row a session and measure, interval-censored: it ended in (left_day, right_day].",
            ("session_key", "measure"),
            columns(*_DURATION_FIELDS, own=""),
            "export_duration",
        ),
    )
