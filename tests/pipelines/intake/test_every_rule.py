"""Every field and every rule of the definition has a row that breaks it and nothing else, held back under its name.

All rows go through one delivery: each has keys, parent and, where needed, siblings of its own. Expected names follow
from the definition *by hand*. The de-identification gate is left open, since some of these values stop a file.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import pytest

from pipelines.intake import IntakeReport, incoming, run_intake
from registry import RECORD_TYPES, Registry, open_registry, record_type, start_registry
from registry.definition import Field, Kind, Severity
from tests.pipelines.intake.sound_rows import KEY_OF, SOUND, TODAY, Row, numbered, write_csv


@dataclass(frozen=True)
class Broken:
    """A sound row with some fields changed, the rule it breaks, and the field that is named.

    patient, session: changes to the row's patient and session, which stay sound.
    siblings: further rows of the same record type, changed likewise, that are of the same patient.
    """

    record: str
    rule: str
    field: str
    changes: Row
    patient: Row = field(default_factory=dict)
    session: Row = field(default_factory=dict)
    siblings: tuple[Row, ...] = ()

    def __str__(self) -> str:
        return f"{self.record}-{self.rule}-{self.field}-{'-'.join(self.changes.values())}"[:80]


ALIVE = {"died_on": "", "status_at_last_contact": "in_follow_up"}
SECOND = {"session_number": "2", "performed_on": "2022-05-05"}

WRITTEN_WRONGLY = {
    Kind.PSEUDONYM: "chart 4711",
    Kind.DATE: "2.3.2020",
    Kind.INTEGER: "1.5",
    Kind.NUMBER: "1,5",
    Kind.QUARTER: "2026-Q5",
    Kind.AREA_LABEL: "AA",
}
NO_SUCH_CODE = {
    Kind.CODE: "no_such_code",
    Kind.CODE_SET: "none;no_such_code",
    Kind.YES_NO: "maybe",
    Kind.SITE: "Z",
    Kind.SURGEON: "Z",
}


def of_field(record: str, declared: Field) -> Iterator[Broken]:
    """Every way in which the field can be wrong by itself."""

    def broken(rule: str, value: str, **others: str) -> Broken:
        return Broken(record, rule, declared.name, {declared.name: value, **others})

    if declared.required:
        yield broken("missing_required", "")
    if declared.kind in NO_SUCH_CODE:
        yield broken("unknown_code", NO_SUCH_CODE[declared.kind])
    else:
        yield broken("wrong_format", WRITTEN_WRONGLY[declared.kind])
    if declared.kind is Kind.DATE:
        yield broken("no_such_date", "2023-02-29")
        yield broken("out_of_range", "1949-12-31")
    if declared.low is not None and declared.high is not None:
        yield broken("out_of_range", f"{declared.low - 1:g}")
        yield broken("out_of_range", f"{declared.high + 1:g}")
    if declared.warn_low is not None:
        yield broken("unlikely_value", f"{declared.warn_low - 1:g}")
    if declared.warn_high is not None:
        unlikely = f"{declared.warn_high + 1:g}"
        yield broken("unlikely_value", unlikely, **UNLIKELY_NEEDS.get(declared.name, {}))


UNLIKELY_NEEDS: dict[str, Row] = {
    "grafts_total": {
        **dict.fromkeys(("grafts_1_hair", "grafts_2_hair", "grafts_3_hair", "grafts_4_hair"), ""),
        "recipient_area_cm2": "200",
    }
}

OF_FIELDS = [
    broken for record in RECORD_TYPES for declared in record.fields for broken in of_field(record.name, declared)
]

OF_RULES = [
    Broken("patient", "stage_fits_scale", "pattern_stage", {"pattern_scale": "ludwig"}),
    Broken("patient", "stage_fits_scale", "pattern_stage", {"pattern_scale": "none"}),
    Broken("patient", "stage_needs_scale", "pattern_scale", {"pattern_scale": ""}),
    Broken("patient", "first_surgery_not_in_future", "first_surgery_on", {"first_surgery_on": "2026-10-01"}),
    Broken(
        "patient",
        "enrolled_not_in_future",
        "enrolled_on",
        {"enrolled_on": "2026-10-01", "last_contact_on": "", **ALIVE},
    ),
    Broken("patient", "last_contact_not_in_future", "last_contact_on", {"last_contact_on": "2026-10-01"}),
    Broken("patient", "last_contact_after_enrolment", "last_contact_on", {"last_contact_on": "2020-01-31"}),
    Broken("patient", "death_has_date_and_status", "died_on", {"died_on": ""}),
    Broken("patient", "death_has_date_and_status", "died_on", {"status_at_last_contact": "in_follow_up"}),
    Broken("patient", "death_not_in_future", "died_on", {"died_on": "2026-10-01"}),
    Broken("patient", "death_after_enrolment", "died_on", {"died_on": "2020-01-31"}),
    Broken("patient", "therapy_none_stands_alone", "medical_therapy", {"medical_therapy": "none;finasteride_oral"}),
    Broken("patient", "first_surgery_known_when_first_here", "first_surgery_on", {"first_surgery_on": ""}),
    Broken(
        "patient",
        "consent_withdrawn",
        "status_at_last_contact",
        {"status_at_last_contact": "consent_withdrawn", "died_on": ""},
    ),
    Broken("session", "session_here_is_described", "technique", {"technique": ""}),
    Broken("session", "session_here_is_described", "technique", {"session_reason": ""}),
    Broken("session", "elsewhere_has_learned_on", "learned_on", {"surgeon_code": "elsewhere", "learned_on": ""}),
    Broken(
        "session",
        "session_not_in_future",
        "performed_on",
        {"performed_on": "2026-10-01", "learned_on": ""},
        patient=ALIVE,
    ),
    Broken("session", "learned_not_in_future", "learned_on", {"learned_on": "2026-10-01"}),
    Broken("session", "learned_after_session", "learned_on", {"learned_on": "2020-03-01"}),
    Broken("session", "graft_sizes_sum_to_total", "grafts_total", {"grafts_1_hair": "499"}),
    Broken("session", "discarded_within_harvested", "grafts_discarded", {"grafts_discarded": "2101"}),
    Broken("session", "transected_within_harvested", "grafts_transected", {"grafts_transected": "2101"}),
    Broken("session", "closure_only_with_strip", "donor_closure", {"technique": "follicular_unit_excision"}),
    Broken("session", "tests_none_stands_alone", "tests_done", {"tests_done": "none;hiv"}),
    Broken(
        "session",
        "session_number_once",
        "session_number",
        {},
        siblings=({"performed_on": "2022-05-05", "learned_on": ""},),
    ),
    Broken(
        "session",
        "session_number_rises_with_date",
        "session_number",
        {"performed_on": "2023-05-05", "learned_on": ""},
        siblings=(SECOND | {"learned_on": ""},),
    ),
    Broken(
        "session",
        "session_before_death",
        "performed_on",
        {"performed_on": "2024-05-02", "learned_on": ""},
    ),
    Broken(
        "session",
        "session_not_before_first_surgery",
        "performed_on",
        {"performed_on": "2020-03-01", "learned_on": ""},
    ),
    Broken("session", "density_plausible", "recipient_area_cm2", {"recipient_area_cm2": "30"}),
    Broken("visit", "visit_not_in_future", "visited_on", {"visited_on": "2026-10-01"}),
    Broken(
        "visit",
        "visit_not_before_session",
        "visited_on",
        {"visited_on": "2020-03-01", "scar_width_mm": "", "sutures_out_on": ""},
    ),
    Broken("visit", "sutures_out_after_session", "sutures_out_on", {"sutures_out_on": "2020-03-01"}),
    Broken("visit", "sutures_out_by_visit", "sutures_out_on", {"sutures_out_on": "2021-03-03"}),
    Broken("visit", "therapy_now_none_stands_alone", "medical_therapy_now", {"medical_therapy_now": "none;unknown"}),
    Broken("visit", "crusts_plausible", "crusts_present", {"crusts_present": "yes"}),
    Broken("visit", "scar_judged_from_month_6", "scar_width_mm", {"visited_on": "2020-07-29"}),
    Broken("complication", "present_after_onset", "last_present_day", {"last_present_day": "19"}),
    Broken("complication", "absent_after_present", "first_absent_day", {"first_absent_day": "30"}),
    Broken(
        "complication", "absent_after_onset", "first_absent_day", {"first_absent_day": "19", "last_present_day": ""}
    ),
    Broken(
        "complication",
        "onset_not_in_future",
        "onset_day",
        {"onset_day": "3650", "last_present_day": "", "first_absent_day": ""},
    ),
    Broken("graft_count", "something_was_counted", "growing_grafts", {"growing_grafts": "", "growing_hairs": ""}),
    Broken("graft_count", "count_not_in_future", "counted_on", {"counted_on": "2026-10-01"}),
    Broken("graft_count", "count_after_session", "counted_on", {"counted_on": "2020-03-02"}),
    Broken("graft_count", "area_marked_by_session", "area_marked_on", {"area_marked_on": "2020-03-03"}),
    Broken(
        "graft_count",
        "placed_within_session",
        "placed_grafts",
        {"placed_grafts": "31"},
        session={
            "grafts_total": "30",
            **dict.fromkeys(("grafts_1_hair", "grafts_2_hair", "grafts_3_hair", "grafts_4_hair"), ""),
        },
    ),
    Broken("graft_count", "growing_within_placed", "growing_grafts", {"growing_grafts": "31"}),
    Broken("graft_count", "placed_density_plausible", "placed_grafts", {"area_cm2": "0.3"}),
    Broken("site_period", "complete_to_not_in_future", "records_complete_to", {"records_complete_to": "2026-10-01"}),
]

EXAMPLES = OF_FIELDS + OF_RULES
SEVERITY = {rule.name: rule.severity for record in RECORD_TYPES for rule in record.rules} | {
    "unlikely_value": Severity.WARN
}


def test_every_field_has_a_sound_value() -> None:
    for record in RECORD_TYPES:
        assert tuple(SOUND[record.name]) == record.field_names
        assert all(SOUND[record.name].values())


def test_every_rule_has_a_broken_row() -> None:
    assert {example.rule for example in OF_RULES} == {rule.name for record in RECORD_TYPES for rule in record.rules}
    for example in OF_RULES:
        rule = next(rule for rule in record_type(example.record).rules if rule.name == example.rule)
        assert example.field == rule.fields[0]


@dataclass(frozen=True)
class Outcome:
    """What the intake made of each example: the rules and fields noted for its row, and whether it was loaded."""

    noted: dict[int, set[tuple[str, str]]]
    loaded: set[int]
    report: IntakeReport


@pytest.fixture(scope="module")
def outcome(tmp_path_factory: pytest.TempPathFactory) -> Outcome:
    """One delivery of all examples. The first rows of each file are the examples of that record type."""
    folder = tmp_path_factory.mktemp("every_rule")
    rows: dict[str, list[Row]] = {record: [] for record in SOUND}
    rows_beside: dict[str, list[Row]] = {record: [] for record in SOUND}
    place_of: dict[tuple[str, int], int] = {}
    quarters = iter(f"{year}-Q{quarter}" for year in range(1900, 2100) for quarter in range(1, 5))
    for number, example in enumerate(EXAMPLES):
        keyed = numbered(example.record, number)
        if example.record == "site_period":
            keyed["quarter"] = next(quarters)
        rows[example.record].append(keyed | example.changes)
        place_of[example.record, len(rows[example.record])] = number
        for sibling, changes in enumerate(example.siblings, start=1):
            key = KEY_OF[example.record]
            rows_beside[example.record].append(keyed | {key: f"sibling-{sibling}-{number:016}"} | changes)
        if example.record in ("visit", "complication", "graft_count"):
            rows_beside["session"].append(numbered("session", number) | example.session)
        if example.record not in ("patient", "site_period"):
            rows_beside["patient"].append(numbered("patient", number) | example.patient)
    for record in rows:
        write_csv(folder / f"{record}.csv", rows[record] + rows_beside[record])
    start_registry(folder / "registry", ["A", "B"], ["S1", "S2"], "Test practice")
    with open_registry(folder / "registry", read_only=False) as registry, pytest.MonkeyPatch.context() as patch:
        patch.setattr(incoming, "find_identifiers", lambda *args, **kwargs: [])
        report = run_intake(registry, [folder], today=TODAY, received_by="test")
        noted: dict[int, set[tuple[str, str]]] = {}
        for record, row, rule, name in registry.connection.execute(
            "select record_type, row_number, rule, field from held_back join held_back_row using (held_back_id)"
        ).fetchall():
            noted.setdefault(place_of.get((record, row), -row), set()).add((rule, name))
        loaded = {
            place_of[record, row]
            for record in rows
            for row, keyed in enumerate(rows[record], start=1)
            if is_loaded(registry, record, keyed)
        }
    return Outcome(noted, loaded, report)


def is_loaded(registry: Registry, record: str, row: Row) -> bool:
    key = record_type(record).key
    where = " and ".join(f"{name} = ?" for name in key)
    counts = registry.connection.execute(f"select count(*) from {record} where {where}", [row[name] for name in key])
    return bool(counts.fetchall()[0][0])


@pytest.mark.parametrize("number", range(len(EXAMPLES)), ids=[str(example) for example in EXAMPLES])
def test_the_row_is_held_back_under_the_name_of_its_rule_alone(number: int, outcome: Outcome) -> None:
    example = EXAMPLES[number]
    if SEVERITY.get(example.rule) is Severity.WARN:
        assert number not in outcome.noted
        assert number in outcome.loaded
        counts = [rule for rule in outcome.report.rules if (rule.rule, rule.field) == (example.rule, example.field)]
        same = [other for other in EXAMPLES if (other.rule, other.field) == (example.rule, example.field)]
        assert [(rule.rows, rule.severity) for rule in counts] == [(len(same), Severity.WARN)]
    else:
        assert outcome.noted[number] == {(example.rule, example.field)}
        assert number not in outcome.loaded


def test_the_rows_beside_the_examples_are_loaded(outcome: Outcome) -> None:
    """All but the siblings that contradict their example: by hand, one for each rule across siblings."""
    siblings = sum(len(example.siblings) for example in EXAMPLES)
    beside = [noted for place, noted in outcome.noted.items() if place < 0]
    assert len(beside) == siblings == 2
    assert {rule for noted in beside for rule, _ in noted} == {"session_number_once", "session_number_rises_with_date"}


def test_every_reason_names_no_value(outcome: Outcome) -> None:
    for rule in outcome.report.rules:
        assert rule.reason
        assert rule.mend
        assert rule.rows >= len(rule.places) > 0
