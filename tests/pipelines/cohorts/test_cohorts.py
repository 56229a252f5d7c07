"""Cohorts: who is in, at which step others are left out, versions, and registries of an older version.

Expected counts: by hand, from the rows of each test.
"""

from __future__ import annotations

from datetime import date
from pathlib import Path

import duckdb
import pytest

from pipelines.cohorts import FlowStep, cohort_flow, define, list_cohorts, load_cohort, rounded_flow, store_cohort
from registry import GraftledgerError, open_registry
from registry.store import DATABASE_FILE, SCHEMA_VERSION, has_table
from tests.small_registry import key, on, small_registry

PATIENTS = [
    {"patient_key": "in", "consent_scope": "audit_and_research", "sex": "male"},
    {"patient_key": "elsewhere", "consent_scope": "audit_and_research", "sessions_elsewhere": 1},
    {"patient_key": "late", "consent_scope": "audit_and_research", "sex": "male"},
    {"patient_key": "sex_empty", "consent_scope": "audit_and_research"},
    {"patient_key": "audit_only", "consent_scope": "audit_only", "sex": "male"},
    {"patient_key": "consent_empty", "sex": "male"},
    {"patient_key": "no_session", "consent_scope": "audit_and_research"},
]
SESSIONS = [
    {"session_key": name, "patient_key": name, "performed_on": on(900 if name == "late" else 10)}
    for name in ("in", "elsewhere", "late", "sex_empty", "audit_only", "consent_empty")
]


def test_each_patient_is_left_out_at_the_first_step_not_met(empty_registry: Path) -> None:
    with small_registry(empty_registry, patient=PATIENTS, session=SESSIONS) as registry:
        made = define(registry.settings, where={"sex": ["male"]}, until=on(800), first_here=True)
        flow = [(step.excluded, step.remaining) for step in cohort_flow(registry, made)]
    # all; no session; elsewhere before; late; sex not recorded; audit only and no answer to consent
    assert flow == [(0, 7), (1, 6), (1, 5), (1, 4), (1, 3), (2, 1)]


def test_a_rounded_flow_tells_no_more_than_its_rounded_numbers() -> None:
    flow = (FlowStep("all", 0, 1003), FlowStep("one", 2, 1001), FlowStep("two", 990, 11))
    told = [(step.excluded, step.remaining) for step in rounded_flow(flow, 5)]
    assert told == [(0, 1005), (5, 1000), (990, 10)]
    assert rounded_flow(flow, 0) == flow
    with pytest.raises(GraftledgerError, match="2 or more"):
        rounded_flow(flow, -5)


def test_excluding_a_value_keeps_those_in_whom_it_is_not_recorded(empty_registry: Path) -> None:
    with small_registry(empty_registry, patient=PATIENTS, session=SESSIONS) as registry:
        made = define(registry.settings, exclude={"sex": ["male"]})
        flow = cohort_flow(registry, made)
    assert flow[2].excluded == 4
    assert flow[-1].remaining == 2


def test_a_name_gets_a_version_only_where_the_definition_differs(empty_registry: Path) -> None:
    with open_registry(empty_registry, read_only=False) as registry:
        first = define(registry.settings, where={"sex": ["male"]}, since=date(2015, 1, 1))
        for made in (first, first, define(registry.settings)):
            store_cohort(registry, "men", made, defined_by="me")
    with open_registry(empty_registry) as registry:
        assert [cohort.version for cohort in list_cohorts(registry)] == [1, 2]
        assert load_cohort(registry, "men", 1).definition == first
        assert load_cohort(registry, "men").definition == define(registry.settings)
        for wrong in (0, 3):
            with pytest.raises(GraftledgerError, match="versions 1 to 2"):
                load_cohort(registry, "men", wrong)
        with pytest.raises(GraftledgerError, match="Did you mean men"):
            load_cohort(registry, "mem")


@pytest.mark.parametrize("name", ["", "A", "1a", "a b", "a;drop table patient", "../x", "a" * 41])
def test_a_name_that_would_not_do(empty_registry: Path, name: str) -> None:
    with (
        open_registry(empty_registry, read_only=False) as registry,
        pytest.raises(GraftledgerError, match="no name for a cohort"),
    ):
        store_cohort(registry, name, define(registry.settings), defined_by="me")


@pytest.mark.parametrize(
    ("where", "words"),
    [
        ({"sexx": ["male"]}, "Did you mean sex"),
        ({"sex": ["male' or true --"]}, "no value"),
        ({"sex": []}, "Give a value"),
        ({"1=1; drop table patient": ["x"]}, "cannot be chosen"),
    ],
)
def test_conditions_that_are_none(empty_registry: Path, where: dict[str, list[str]], words: str) -> None:
    with open_registry(empty_registry) as registry:
        for part in ("where", "exclude"):
            with pytest.raises(GraftledgerError, match=words):
                define(registry.settings, **{part: where})  # type: ignore[arg-type]


def test_text_that_looks_like_sql_is_a_value_and_nothing_else(empty_registry: Path) -> None:
    with small_registry(empty_registry, patient=PATIENTS, session=SESSIONS) as registry:
        made = define(registry.settings, where={"year": ["2010') or true --"]})
        assert cohort_flow(registry, made)[-1].remaining == 0


def test_an_older_registry_opens_and_gains_the_tables_when_it_is_written(empty_registry: Path) -> None:
    with duckdb.connect(str(empty_registry / DATABASE_FILE)) as connection:
        for table in ("cohort_definition", "export_ledger", "export_file", "exported_patient"):
            connection.execute(f"drop table {table}")
        connection.execute("update registry_info set schema_version = 1")
    with open_registry(empty_registry) as registry:
        assert list_cohorts(registry) == ()
        with pytest.raises(GraftledgerError, match="None is defined yet"):
            load_cohort(registry, "men")
    with open_registry(empty_registry, read_only=False) as registry:
        assert has_table(registry.connection, "export_ledger")
        version = registry.connection.execute("select schema_version from registry_info").fetchall()
    assert version == [(SCHEMA_VERSION,)]


def test_who_withdrew_and_is_not_erased_yet_is_not_in_it(empty_registry: Path) -> None:
    with small_registry(empty_registry, patient=PATIENTS, session=SESSIONS):
        pass
    with open_registry(empty_registry, read_only=False) as registry:
        assert cohort_flow(registry, define(registry.settings))[-1].remaining == 4
        for number, withdrawn in enumerate(("in", "merged_away")):
            registry.connection.execute(
                "insert into held_back_row by name select ? as held_back_id, 1 as intake_id, 'f' as file_name, "
                "'x' as sha256, 1 as row_number, 'patient' as record_type, ? as record_key, '' as content, "
                "false as waits",
                [number, key(withdrawn)],
            )
            registry.connection.execute("insert into held_back values (?, 'consent_withdrawn', '', '', '')", [number])
        registry.connection.execute(
            "insert into patient_merge values (1, ?, ?, null)", [key("late"), key("merged_away")]
        )
        assert cohort_flow(registry, define(registry.settings))[-1].remaining == 2
