"""Corrections: new versions of known records, what they must not contradict, and the registry as it was before them.

Every expectation is *by hand*: families of one patient, one session on 2 March 2020 and what belongs to it.
"""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import pytest

from registry import GraftledgerError, open_registry
from registry.snapshot import computed_sums, stored_sums
from tests.pipelines.intake.conftest import Take
from tests.pipelines.intake.sound_rows import Row, numbered, write_csv

MOVED = {"performed_on": "2020-04-02", "learned_on": "2020-04-02"}
VISIT_MOVED = {"visited_on": "2021-04-02", "sutures_out_on": "2020-04-09"}


def query(folder: Path, sql: str, as_of_intake: int | None = None) -> list[tuple[Any, ...]]:
    with open_registry(folder, as_of_intake=as_of_intake) as registry:
        return registry.connection.execute(sql).fetchall()


def reasons(folder: Path) -> set[tuple[str, int, str]]:
    """Record type, row and rule of every row that is held back now."""
    return set(
        query(
            folder,
            "select record_type, row_number, rule from held_back join held_back_row using (held_back_id) "
            "where closed_as is null",
        )
    )


def sound(folder: Path) -> bool:
    """Whether the sums that the registry keeps are those of its tables."""
    with open_registry(folder) as registry:
        return stored_sums(registry.connection) == computed_sums(registry.connection)


@pytest.fixture
def deliver(take: Take, tmp_path: Path) -> Any:
    """Take rows in by record type: each call is one delivery of new files."""
    calls = iter(range(100))

    def deliver(**rows: list[Row]) -> Any:
        folder = tmp_path / f"delivery_{next(calls)}"
        return take(*(write_csv(folder / f"{record}.csv", lines) for record, lines in rows.items()))

    return deliver


def family(number: int) -> dict[str, list[Row]]:
    records = ("patient", "session", "visit", "graft_count")
    return {record: [numbered(record, number)] for record in records}


def test_a_correction_is_a_new_version_and_the_former_one_stays(deliver: Any, empty_registry: Path) -> None:
    first = deliver(**family(1))
    second = deliver(session=[numbered("session", 1, grafts_harvested="2200")])
    third = deliver(session=[numbered("session", 1, grafts_harvested="2300")])
    assert [(file.loaded, file.corrected) for file in second.files] == [(0, 1)]
    assert query(empty_registry, "select grafts_harvested, intake_id from session") == [(2300, 3)]
    assert query(
        empty_registry,
        "select grafts_harvested, intake_id, replaced_by_intake_id from session_history order by intake_id",
    ) == [(2100, 1, 2), (2200, 2, 3)]
    assert sound(empty_registry)
    for number, harvested, report in ((1, 2100, first), (2, 2200, second), (3, 2300, third)):
        with open_registry(empty_registry, as_of_intake=number) as registry:
            assert registry.snapshot == report.snapshot_after
            assert registry.erased_since == 0
            assert registry.connection.execute("select grafts_harvested from session").fetchall() == [(harvested,)]
            assert registry.connection.execute("select max(intake_id) from intake").fetchall() == [(number,)]
    with pytest.raises(GraftledgerError, match="there is no intake 4"), open_registry(empty_registry, as_of_intake=4):
        pass


def test_an_old_file_sent_again_undoes_no_correction(take: Take, empty_registry: Path, tmp_path: Path) -> None:
    """The same bytes change nothing; the old content in a new file is a correction like any other."""
    old = [write_csv(tmp_path / f"{record}.csv", rows) for record, rows in family(1).items()]
    take(*old)
    corrected = take(write_csv(tmp_path / "new" / "session.csv", [numbered("session", 1, grafts_harvested="2200")]))
    again = take(*old)
    assert again.total().unchanged == again.total().read == 4
    assert again.snapshot_after == corrected.snapshot_after
    same = {"patient_key": numbered("patient", 1)["patient_key"]}
    sent_anew = [numbered("session", 1), numbered("session", 2, **same, session_number="2")]
    back = take(write_csv(tmp_path / "other" / "session.csv", sent_anew))
    assert back.total().corrected == 1
    assert query(empty_registry, "select grafts_harvested from session where session_number = 1") == [(2100,)]


def test_a_correction_that_its_records_contradict_is_held_back(deliver: Any, empty_registry: Path) -> None:
    """The session moves past its visit and count; with a visit that moves along it still contradicts the count."""
    deliver(**family(1))
    before = query(empty_registry, "from session")
    too_late = {"performed_on": "2022-03-02", "learned_on": "2022-03-02"}
    report = deliver(session=[numbered("session", 1, **too_late)])
    assert report.total().held_back == 1
    assert reasons(empty_registry) == {("session", 1, "contradicts_its_records")}
    assert {(rule.field, rule.reason.split(" by ")[0]) for rule in report.rules} == {
        ("performed_on", "visits in the registry would break visit_not_before_session"),
        ("performed_on", "visits in the registry would break sutures_out_after_session"),
        ("performed_on", "graft counts in the registry would break count_after_session"),
    }
    assert query(empty_registry, "from session") == before

    report = deliver(
        session=[numbered("session", 1, **too_late)],
        visit=[numbered("visit", 1, visited_on="2023-03-02", sutures_out_on="2022-03-09")],
    )
    assert reasons(empty_registry) == {
        ("session", 1, "contradicts_its_records"),
        # the session stays on 2 March 2020, against which the visit's own correction is sound
    }
    assert report.total().corrected == 1
    assert {rule.reason.split(" by ")[0] for rule in report.rules} == {
        "graft counts in the registry would break count_after_session"
    }
    assert sound(empty_registry)


def test_a_parent_and_its_records_are_corrected_together(deliver: Any, empty_registry: Path) -> None:
    """The session moves by a month, and the visit with it; the stitches came out between the old date and the new."""
    deliver(**family(1))
    alone = deliver(session=[numbered("session", 1, **MOVED)])
    assert alone.total().held_back == 1
    together = deliver(
        session=[numbered("session", 1, **MOVED)],
        visit=[numbered("visit", 1, **VISIT_MOVED)],
        graft_count=[numbered("graft_count", 1, counted_on="2021-04-02")],
    )
    assert (together.total().corrected, together.total().held_back) == (3, 0)
    assert together.entries_closed == {"loaded": 1}
    assert reasons(empty_registry) == set()
    assert query(empty_registry, "select performed_on from session") == [(date(2020, 4, 2),)]


def test_what_rested_on_a_correction_falls_with_it(deliver: Any, empty_registry: Path) -> None:
    """The session would move back by two months; the visit of one week later is sound only then.

    The count in the registry contradicts the move, since its area was marked later. So the session stays, and the
    visit of January is before it.
    """
    deliver(**family(1))
    earlier = {"performed_on": "2020-01-02", "learned_on": "2020-01-02"}
    deliver(
        patient=[numbered("patient", 1, first_surgery_on="2020-01-02")],
        session=[numbered("session", 1, **earlier)],
        visit=[numbered("visit", 1, visited_on="2020-01-09", sutures_out_on="", scar_width_mm="")],
    )
    assert reasons(empty_registry) == {
        ("session", 1, "contradicts_its_records"),
        ("visit", 1, "visit_not_before_session"),
    }
    assert query(empty_registry, "select count(*) from patient_history") == [(1,)]
    assert sound(empty_registry)


def test_a_patient_is_not_moved_past_sessions_of_the_registry(deliver: Any, empty_registry: Path) -> None:
    deliver(**family(1))
    deliver(patient=[numbered("patient", 1, first_surgery_on="2020-03-03")])
    deliver(patient=[numbered("patient", 1, last_contact_on="", died_on="2020-03-01")])
    assert reasons(empty_registry) == {("patient", 1, "contradicts_its_records")}
    assert query(empty_registry, "select closed_as, replaced_by from held_back_row order by 1") == [
        ("replaced", 2),
        (None, None),
    ]


def test_numbers_of_sessions_may_be_swapped_in_one_delivery_only(deliver: Any, empty_registry: Path) -> None:
    patient = numbered("patient", 1, first_surgery_precision="year", died_on="", status_at_last_contact="in_follow_up")
    same = {"patient_key": patient["patient_key"]}
    deliver(
        patient=[patient],
        session=[numbered("session", 1), numbered("session", 2, **same, session_number="2", performed_on="2020-03-02")],
    )
    assert reasons(empty_registry) == set()
    deliver(session=[numbered("session", 1, session_number="2")])
    assert reasons(empty_registry) == {("session", 1, "session_number_once")}
    swapped = deliver(
        session=[numbered("session", 1, session_number="2"), numbered("session", 2, **same, session_number="1")]
    )
    assert swapped.total().corrected == 2
    assert reasons(empty_registry) == set()


def test_a_swap_of_which_one_half_is_at_fault_fails_as_a_whole(deliver: Any, empty_registry: Path) -> None:
    """Three sessions of one day: 1 and 2 would swap, but what would be 1 has an unknown code too."""
    patient = numbered("patient", 1)
    same = {"patient_key": patient["patient_key"], "learned_on": ""}
    sessions = [numbered("session", number, **same, session_number=str(number)) for number in (1, 2, 3)]
    deliver(patient=[patient], session=sessions)
    deliver(
        session=[
            numbered("session", 1, **same, session_number="2"),
            numbered("session", 2, **same, session_number="1", technique="x9"),
        ]
    )
    assert reasons(empty_registry) == {("session", 2, "unknown_code"), ("session", 1, "session_number_once")}
    assert query(empty_registry, "select session_number from session order by session_key") == [(1,), (2,), (3,)]
    chain = [numbered("session", number, **same, session_number=str(number % 3 + 1)) for number in (1, 2)]
    deliver(session=chain)  # 1 -> 2 and 2 -> 3, but 3 stays 3
    assert reasons(empty_registry) == {
        ("session", 1, "session_number_once"),
        ("session", 2, "session_number_once"),
    }
    assert sound(empty_registry)


def test_a_key_used_by_mistake_overwrites_no_record_of_another_session(deliver: Any, empty_registry: Path) -> None:
    deliver(**{record: [*family(1)[record], *family(2)[record]] for record in family(1)})
    key = {"visit_key": numbered("visit", 1)["visit_key"]}
    report = deliver(visit=[numbered("visit", 2, **key, satisfaction="3")])
    assert report.total().corrected == 0
    assert reasons(empty_registry) == {("visit", 1, "refers_elsewhere")}
    assert query(empty_registry, "select count(*) from visit_history") == [(0,)]
