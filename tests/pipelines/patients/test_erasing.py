"""An erased patient is nowhere: in no table, no history, no row held back, and in no byte of the database file.

Every expectation is *by hand*.
"""

from __future__ import annotations

import shutil
from datetime import date
from hashlib import sha256
from pathlib import Path
from typing import Any

import duckdb
import pytest

from pipelines.patients import erase_patient, find_patient, merge_patients
from registry import GraftledgerError, database_file, open_registry
from registry.database_file import DATABASE_FILE, LOCK_FILE
from registry.reports import register_report
from registry.store import start_registry
from registry.verification import verify
from tests.pipelines.intake.sound_rows import KEY_OF, SOUND, TODAY, Row, numbered
from tests.pipelines.patients.conftest import Deliver, deliver_to

KEY = numbered("patient", 1)["patient_key"]


def query(folder: Path, sql: str) -> list[tuple[Any, ...]]:
    with open_registry(folder) as registry:
        return registry.connection.execute(sql).fetchall()


def every_value(folder: Path) -> str:
    """The content of every table as text."""
    with open_registry(folder) as registry:
        execute = registry.connection.execute
        tables = [name for (name,) in execute("select table_name from duckdb_tables()").fetchall()]
        return "".join(str(execute(f"from {table}").fetchall()) for table in tables)


def keys_of(number: int) -> list[str]:
    return [numbered(record, number)[key] for record, key in KEY_OF.items()]


@pytest.fixture(scope="module")
def long_history_made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Patients 1 and 2, both corrected; of patient 1 further rows that wait, are at fault, or were set aside."""
    place = tmp_path_factory.mktemp("long_history")
    start_registry(place / "registry", ["A", "B"], ["S1", "S2"], "Test practice")
    deliver = deliver_to(place / "registry", place)
    deliver(**{record: [numbered(record, n) for n in (1, 2)] for record in KEY_OF})
    deliver(patient=[numbered("patient", n, smoking="former") for n in (1, 2)])
    deliver(
        session=[numbered("session", 1, technique="x9"), numbered("session", 3, patient_key=KEY, session_number="x9")],
        visit=[
            numbered("visit", 3),
            numbered("visit", 4, session_key=numbered("session", 1)["session_key"], contact_mode="x9"),
        ],
        graft_count=[numbered("graft_count", 2, growing_hairs="61")],
    )
    return place / "registry"


@pytest.fixture
def long_history(long_history_made: Path, tmp_path: Path) -> Path:
    """A copy of it that a test may change."""
    return shutil.copytree(long_history_made, tmp_path / "registry")


def test_every_row_goes_and_a_count_stays(long_history: Path) -> None:
    with open_registry(long_history) as registry:
        found = find_patient(registry, KEY)
    expected = {
        **{(record, "current"): 1 for record in KEY_OF},
        ("patient", "history"): 1,
        ("session", "held back"): 2,
        ("visit", "held back"): 2,  # one of the session held back, one of the session here
    }
    assert found.rows == expected
    done = erase_patient(long_history, KEY, received_by="test", today=date(2026, 10, 1))
    assert done.intake_id == 4
    assert done.erased.rows == expected
    kept = every_value(long_history)
    for key in keys_of(1) + keys_of(3):
        assert key not in kept
    for key in keys_of(2):
        assert key in kept
    assert query(long_history, "select kind from intake where intake_id = 4") == [("erase",)]
    assert query(long_history, "from erasure") == [(4, date(2026, 10, 1))]
    rows = query(long_history, "select record_type, place, row_count from erased_rows")
    assert {(record, place): count for record, place, count in rows} == expected
    with open_registry(long_history) as registry:
        assert verify(registry) == ()
    with pytest.raises(GraftledgerError, match="nothing of a patient of this key"):
        erase_patient(long_history, KEY, received_by="test")


def test_the_file_holds_no_trace(deliver: Deliver, empty_registry: Path) -> None:
    """Keys as random as real ones are searched for byte by byte: there before, gone after, and no copy is left."""
    secret = {record: sha256(record.encode()).hexdigest() for record in KEY_OF}

    def keyed(record: str, row: Row) -> Row:
        return row | {key: secret[of] for of, key in KEY_OF.items() if key in SOUND[record]}

    rows = {record: [keyed(record, numbered(record, 1)), numbered(record, 2)] for record in KEY_OF}
    deliver(**rows)
    deliver(session=[keyed("session", numbered("session", 1, technique="x9"))])
    before = (empty_registry / DATABASE_FILE).read_bytes()
    for key in secret.values():
        assert key.encode() in before
    erase_patient(empty_registry, secret["patient"], received_by="test")
    after = b"".join(path.read_bytes() for path in empty_registry.iterdir())
    for key in secret.values():
        assert key.encode() not in after
    assert numbered("patient", 2)["patient_key"].encode() in after
    assert sorted(path.name for path in empty_registry.iterdir()) == [
        DATABASE_FILE,
        LOCK_FILE,
        "settings.toml",
    ]
    assert (empty_registry / DATABASE_FILE).stat().st_mode & 0o077 == 0


def test_an_erased_patient_sent_again_is_refused_and_not_kept(long_history: Path, tmp_path: Path) -> None:
    deliver = deliver_to(long_history, tmp_path)
    erase_patient(long_history, KEY, received_by="test")
    again = deliver(**{record: [numbered(record, n) for n in (1, 5)] for record in KEY_OF})
    assert {file.record: (file.loaded, file.refused, file.held_back) for file in again.files} == dict.fromkeys(
        KEY_OF, (1, 1, 0)
    )
    assert {(rule.rule, rule.reason) for rule in again.rules} == {
        ("patient_erased", "the patient was erased from the registry")
    }
    alone = deliver(visit=[numbered("visit", 1)])  # its session is known by its hash alone
    assert alone.total().refused == 1
    kept = every_value(long_history)
    assert not [key for key in keys_of(1) if key in kept]
    assert query(long_history, "select sum(rows_refused) from intake_file") == [(6,)]
    refusals = "validation_result where rule = 'patient_erased' and rows_failed > 0"
    assert query(long_history, f"select count(*), any_value(first_rows) from {refusals}") == [(6, [])]


def test_places_of_failed_rows_go_with_the_patient(deliver: Deliver, empty_registry: Path) -> None:
    """Of the first event, in which the patient's rows came, no place stays; of the second all do."""
    unlikely = {"donor_density_fu_cm2": "120"}
    deliver(patient=[numbered("patient", n, **unlikely) for n in (1, 2)], session=[numbered("session", 3)])
    deliver(patient=[numbered("patient", 3, **unlikely)])
    places = "select intake_id, record_type, first_rows from validation_result where rows_failed > 0 order by all"
    assert query(empty_registry, places) == [
        (1, "patient", [1, 2]),
        (1, "session", [1]),
        (2, "patient", [1]),
    ]
    erase_patient(empty_registry, KEY, received_by="test")
    assert query(empty_registry, places) == [(1, "patient", []), (1, "session", [1]), (2, "patient", [1])]


def test_hashes_are_salted_by_registry(long_history: Path) -> None:
    erase_patient(long_history, KEY, received_by="test")
    (salt,) = query(long_history, "select key_salt from registry_info")[0]
    assert len(salt) == 64
    hashes = {row[0] for row in query(long_history, "select key_hash from erased_key where record_type = 'patient'")}
    assert hashes == {sha256((salt + KEY).encode()).hexdigest()}


def test_reports_that_counted_the_patient_are_named(deliver: Deliver, empty_registry: Path) -> None:
    deliver(patient=[numbered("patient", 2)])
    for period, intake_id in (("2026-Q1", 1), ("2026-Q2", 2)):
        if intake_id == 2:
            deliver(patient=[numbered("patient", 1)])
        refusal = register_report(empty_registry, "audit", period, intake_id=intake_id, snapshot="0" * 16)
        assert refusal is None
    done = erase_patient(empty_registry, KEY, received_by="test")
    assert [(report.kind, report.period, report.intake_id) for report in done.erased.reports] == [
        ("audit", "2026-Q2", 2)
    ]


def test_an_earlier_state_says_that_it_is_no_longer_whole(long_history: Path) -> None:
    with open_registry(long_history, as_of_intake=2) as registry:
        whole = registry.snapshot
        assert registry.erased_since == 0
    erase_patient(long_history, KEY, received_by="test")
    with open_registry(long_history, as_of_intake=2) as registry:
        assert registry.erased_since == 1
        assert registry.snapshot != whole
        assert registry.connection.execute("select count(*) from patient").fetchall() == [(1,)]
    with open_registry(long_history, as_of_intake=4) as registry:
        assert registry.erased_since == 0


def test_a_withdrawal_takes_nothing_in_and_asks_for_the_erasure(deliver: Deliver, empty_registry: Path) -> None:
    """The registry keeps what it has until somebody erases it; of the new rows the key, site and status stay."""
    deliver(**{record: [numbered(record, 1)] for record in KEY_OF})
    withdrawn = numbered("patient", 1, status_at_last_contact="consent_withdrawn", died_on="")
    report = deliver(
        patient=[withdrawn, numbered("patient", 2)],
        session=[numbered("session", 1, grafts_discarded="40"), numbered("session", 2)],
        visit=[numbered("visit", 7, session_key=numbered("session", 1)["session_key"]), numbered("visit", 2)],
    )
    assert report.withdrawn == (KEY,)
    assert [(file.loaded, file.corrected, file.held_back, file.refused) for file in report.files] == [
        (1, 0, 1, 0),
        (1, 0, 0, 1),
        (1, 0, 0, 1),
    ]
    assert query(empty_registry, "select content from held_back_row") == [
        (f'{{"patient_key":"{KEY}","site_code":"A","status_at_last_contact":"consent_withdrawn"}}',)
    ]
    later = deliver(visit=[numbered("visit", 8, session_key=numbered("session", 1)["session_key"])])
    assert (later.total().refused, later.withdrawn) == (1, (KEY,))

    lifted = deliver(
        patient=[numbered("patient", 1, smoking="former")],
        visit=[numbered("visit", 8, session_key=numbered("session", 1)["session_key"])],
    )
    assert (lifted.total().corrected, lifted.total().loaded, lifted.withdrawn) == (1, 1, ())

    assert deliver(patient=[withdrawn]).withdrawn == (KEY,)
    erase_patient(empty_registry, KEY, received_by="test")
    assert deliver(patient=[numbered("patient", 3)]).withdrawn == ()
    assert query(empty_registry, "select count(*) from patient where patient_key like '%1'") == [(0,)]


def test_a_session_filed_under_the_wrong_patient_is_not_lost_with_them(deliver: Deliver, empty_registry: Path) -> None:
    """Session 2 came under patient 1 by mistake and was corrected to patient 2, who stays."""
    first = {"first_surgery_precision": "year"}
    deliver(
        patient=[numbered("patient", n, **first) for n in (1, 2)],
        session=[numbered("session", 1), numbered("session", 2, patient_key=KEY, session_number="2")],
        visit=[numbered("visit", 2)],
    )
    assert deliver(session=[numbered("session", 2)]).rules[0].rule == "refers_elsewhere"
    assert deliver(session=[numbered("session", 2)], refile=True).total().corrected == 1
    done = erase_patient(empty_registry, KEY, received_by="test")
    assert done.erased.rows == {
        ("patient", "current"): 1,
        ("session", "current"): 1,
        ("session", "history"): 1,
    }
    assert query(empty_registry, "select closed_as from held_back_row") == [("loaded",)]
    assert KEY not in every_value(empty_registry)
    assert query(empty_registry, "select session_key from session") == [(numbered("session", 2)["session_key"],)]
    assert query(empty_registry, "select count(*) from visit") == [(1,)]


def test_all_keys_of_a_merged_patient_go(deliver: Deliver, empty_registry: Path) -> None:
    first = {"first_surgery_precision": "year"}
    deliver(
        patient=[numbered("patient", n, **first) for n in (1, 2)],
        session=[numbered("session", 1), numbered("session", 2, session_number="2")],
    )
    other = numbered("patient", 2)["patient_key"]
    with open_registry(empty_registry, read_only=False) as registry:
        merge_patients(registry, KEY, other, today=TODAY, received_by="test")
    done = erase_patient(empty_registry, other, received_by="test")
    assert done.erased.keys == 2
    kept = every_value(empty_registry)
    assert not [key for n in (1, 2) for key in keys_of(n) if key in kept]
    report = deliver(patient=[numbered("patient", n) for n in (1, 2)])
    assert report.total().refused == 2


@pytest.mark.parametrize("error", [RuntimeError("x"), duckdb.IOException("x"), OSError(28, "No space left on device")])
def test_a_failure_at_the_last_moment_leaves_the_registry_as_it_was(
    error: Exception, long_history: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = (long_history / DATABASE_FILE).read_bytes()

    def fail(path: Path) -> None:
        raise error

    monkeypatch.setattr(database_file, "flush", fail)
    with pytest.raises(RuntimeError if isinstance(error, RuntimeError) else GraftledgerError):
        erase_patient(long_history, KEY, received_by="test")
    assert (long_history / DATABASE_FILE).read_bytes() == before
    assert sorted(path.name for path in long_history.iterdir()) == [
        DATABASE_FILE,
        LOCK_FILE,
        "settings.toml",
    ]
