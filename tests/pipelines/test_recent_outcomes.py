"""What a quarter brought, beside other quarters. Every expectation is *by hand*."""

from __future__ import annotations

from pathlib import Path

from pipelines.missing_fields import missing_fields
from pipelines.quarter_activity import quarter_activity
from pipelines.recent_outcomes import recent_outcomes
from pipelines.serious_complications import serious_complications
from pipelines.spans import Span
from tests.small_registry import on, small_registry

from .follow_up.test_milestones import patients, session, visits

QUIET = {
    "swelling_since_last": "none",
    "periorbital_bruising_since_last": False,
    "folliculitis_since_last": False,
    "infection_since_last": "none",
}
LATE, EARLY = Span("late", on(200), on(289)), Span("early", on(110), on(199))


def told(name: str, start: int, *days: int, **changed: object) -> list[dict[str, object]]:
    return [{**row, **QUIET, **changed} for row in visits(name, *days, start=start)]


def test_each_measure_looks_at_the_sessions_whose_days_ended_in_the_span(empty_registry: Path) -> None:
    """Swelling closes on day 14, infection on day 120: a session of day 160 is judged for one early, for one late."""
    records = {
        "patient": patients("a", "b"),
        "session": [session("a", 160), session("b", 100)],
        "visit": [
            *told("a", 160, 7, 61, infection_since_last="deep"),
            *told("b", 100, 7, swelling_since_last="severe"),
        ],
    }
    with small_registry(empty_registry, **records) as registry:
        found = {(one.measure, one.at): one for one in recent_outcomes(registry, (LATE, EARLY), as_of=on(320))}
    swelling, infection = found["severe_swelling", None], found["infection", None]
    assert [(f.n, f.events) for f in swelling.figures] == [(0, 0), (2, 1)]
    assert [(s.first_on, s.last_on) for s in swelling.operated] == [(on(186), on(275)), (on(96), on(185))]
    assert [(f.n, f.events) for f in infection.figures] == [(1, 1), (0, 0)]
    assert infection.figures[0].window == "0-60"
    assert infection.figures[0].not_counted == {"missed_visit": 1}
    assert found["graft_survival", None].figures[0].n == 0


def test_activity_and_case_mix(empty_registry: Path) -> None:
    records = {
        "patient": [
            {"patient_key": "a", "sex": "female", "age_at_first_surgery_years": 30},
            {"patient_key": "b", "sex": "male", "age_at_first_surgery_years": 40},
            {"patient_key": "c", "dates_shifted": True},
        ],
        "session": [
            session("a", 210, grafts_total=1000),
            session("a", 250, 2, grafts_total=3000, session_reason="repair", technique="combined"),
            session("b", 120),
            session("c", 215),
            {**session("b", 230, 2), "surgeon_code": "elsewhere", "learned_on": on(240)},
        ],
    }
    with small_registry(empty_registry, **records) as registry:
        late, early = quarter_activity(registry, (LATE, EARLY), as_of=on(320))
        none = quarter_activity(registry, (Span("empty", on(1), on(2)),))[0]
    assert (late.counts["sessions"], late.counts["patients"], late.counts["first_sessions"]) == (2, 1, 1)
    assert (late.counts["female"], late.counts["repairs"], late.counts["combined"]) == (2, 1, 1)
    assert late.graft_quartiles == (1500.0, 2000.0, 2500.0)
    assert early.counts["sessions"] == 1
    assert none.counts["sessions"] == 0
    assert none.age_quartiles is None


def test_fields_left_empty(empty_registry: Path) -> None:
    records = {
        "patient": [{"patient_key": "a", "sex": "male"}, {"patient_key": "b"}],
        "session": [session("a", 210), session("b", 220), session("a", 400, 2)],
    }
    with small_registry(empty_registry, **records) as registry:
        found = {
            (f.group["record"], f.group["field"]): f for f in missing_fields(registry, LATE.first_on, LATE.last_on)
        }
    assert (found["patient", "sex"].events, found["patient", "sex"].n) == (1, 2)
    assert found["session", "duration_hours"].events == 2
    assert ("session", "learned_on") not in found
    assert found["graft_count", "area_choice"].estimate is None


def test_severe_complications_by_their_onset(empty_registry: Path) -> None:
    records = {
        "patient": patients("a", "b"),
        "session": [session("a", 195), session("b", 205)],
        "complication": [
            {"session_key": "a-1", "kind": "infection", "severity": "severe", "onset_day": 7},
            {"session_key": "a-1", "kind": "infection", "severity": "severe", "onset_day": 2},  # before the span
            {"session_key": "b-1", "kind": "necrosis", "severity": "moderate", "clavien_dindo": "IIIb"},
            {"session_key": "b-1", "kind": "swelling", "severity": "mild", "clavien_dindo": "I"},
        ],
    }
    with small_registry(empty_registry, **records) as registry:
        found = serious_complications(registry, LATE.first_on, LATE.last_on)
    assert [(one.site, one.kind, one.records) for one in found] == [("A", "infection", 1), ("A", "necrosis", 1)]
