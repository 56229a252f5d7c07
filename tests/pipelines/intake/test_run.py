"""Deliveries from files to registry: order, repetition, families, faults of files, and failures on the way."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines.intake import loading, run_intake
from registry import RECORD_TYPES, GraftledgerError, open_registry, start_registry
from registry.snapshot import computed_sums, snapshot_id, stored_sums
from tests.pipelines.intake.conftest import Take
from tests.pipelines.intake.sound_rows import KEY_OF, SOUND, TODAY, numbered, write_csv

EMPTY_SNAPSHOT = snapshot_id({})


def query(folder: Path, sql: str) -> list[tuple[Any, ...]]:
    with open_registry(folder) as registry:
        return registry.connection.execute(sql).fetchall()


def snapshot_of(folder: Path) -> str:
    """The registry's snapshot, proven to be that of its tables."""
    with open_registry(folder) as registry:
        assert stored_sums(registry.connection) == computed_sums(registry.connection)
        return registry.snapshot


def held_back(folder: Path) -> set[tuple[Any, ...]]:
    return set(
        query(
            folder,
            "select record_type, row_number, rule, field, record_key "
            "from held_back join held_back_row using (held_back_id)",
        )
    )


def test_sound_files_are_loaded_whole(sound_files: dict[str, Path], take: Take, empty_registry: Path) -> None:
    """By hand: three families of five records and two declarations."""
    report = take(*sound_files.values())
    assert {file.record: (file.read, file.loaded, file.warnings) for file in report.files} == {
        **dict.fromkeys(KEY_OF, (3, 3, 0)),
        "site_period": (2, 2, 0),
    }
    assert report.rules == ()
    assert report.snapshot_before == EMPTY_SNAPSHOT
    assert report.snapshot_after == snapshot_of(empty_registry)
    assert query(
        empty_registry, "select grafts_total, zones, learned_on::varchar, kept_chilled from session limit 1"
    ) == [(2000, ["frontal", "hairline"], "2020-03-02", "yes")]
    assert query(empty_registry, "select dates_shifted, hair_calibre_um, intake_id from patient limit 1") == [
        (False, 62.5, 1)
    ]
    provenance = query(empty_registry, "select record_type, site_codes, rows_loaded, length(sha256) from intake_file")
    assert sorted(provenance) == sorted(
        [*((record, ["A"], 3, 64) for record in KEY_OF), ("site_period", ["A", "B"], 2, 64)]
    )


def test_a_repeated_delivery_changes_nothing_and_is_written_down(
    sound_files: dict[str, Path], take: Take, empty_registry: Path
) -> None:
    first = take(*sound_files.values())
    second = take(*sound_files.values())
    assert second.snapshot_before == second.snapshot_after == first.snapshot_after == snapshot_of(empty_registry)
    assert [(file.loaded, file.unchanged, file.held_back) for file in second.files] == [
        (0, file.read, 0) for file in first.files
    ]
    assert query(empty_registry, "select intake_id, received_by from intake order by 1") == [(1, "test"), (2, "test")]


def test_the_registry_does_not_depend_on_order_batches_or_format(
    sound_files: dict[str, Path], take: Take, empty_registry: Path, tmp_path: Path
) -> None:
    expected = take(*sound_files.values()).snapshot_after

    def snapshot_after(*deliveries: list[Path]) -> str:
        folder = tmp_path / f"other_{len(list(tmp_path.iterdir()))}"
        start_registry(folder, ["A", "B"], ["S1", "S2"], "Test practice")
        for delivery in deliveries:
            with open_registry(folder, read_only=False) as registry:
                report = run_intake(registry, delivery, today=TODAY, received_by="test")
                assert report.total().held_back == 0
        return snapshot_of(folder)

    files = list(sound_files.values())
    assert snapshot_after(files[::-1]) == expected
    split: list[list[Path]] = [[], []]
    for record in RECORD_TYPES:
        rows = pl.read_csv(sound_files[record.name], infer_schema=False)
        for part in range(2):
            path = tmp_path / f"part_{part}" / f"{record.name}.parquet"
            path.parent.mkdir(exist_ok=True)
            rows[part::2].select(reversed(rows.columns)).write_parquet(path)
            split[part].append(path)
    assert snapshot_after(*split[::-1]) == expected


def test_a_child_shares_the_fate_of_its_parent(take: Take, empty_registry: Path, tmp_path: Path) -> None:
    """By hand: patient 1 is at fault, so its session and visit are held back too; session 9 was never sent."""
    report = take(
        write_csv(tmp_path / "visit.csv", [numbered("visit", number) for number in (1, 2, 9)]),
        write_csv(tmp_path / "session.csv", [numbered("session", number) for number in (1, 2)]),
        write_csv(tmp_path / "patient.csv", [numbered("patient", 1, sex="x9"), numbered("patient", 2)]),
    )
    assert held_back(empty_registry) == {
        ("patient", 1, "unknown_code", "sex", f"patient-{1:016}"),
        ("session", 1, "unknown_patient", "patient_key", f"session-{1:016}"),
        ("visit", 1, "unknown_session", "session_key", f"visit-{1:016}"),
        ("visit", 3, "unknown_session", "session_key", f"visit-{9:016}"),
    }
    assert {(rule.reason, rule.places) for rule in report.rules if rule.record == "visit"} == {
        ("its session was held back in this delivery", ("visit.csv row 1",)),
        ("its session is neither in the registry nor in this delivery", ("visit.csv row 3",)),
    }
    assert [(file.loaded, file.held_back) for file in report.files] == [(1, 2), (1, 1), (1, 1)]

    mended = take(
        write_csv(tmp_path / "mended" / "patient.csv", [numbered("patient", 1)]),
        tmp_path / "session.csv",
        tmp_path / "visit.csv",
    )
    assert [(file.loaded, file.unchanged, file.held_back) for file in mended.files] == [(1, 0, 0), (1, 1, 0), (1, 1, 1)]


def test_rows_with_one_key(take: Take, empty_registry: Path, tmp_path: Path) -> None:
    """By hand. Equal content in another spelling is one row; different content holds both back."""
    patients = [
        numbered("patient", 1),
        numbered("patient", 1, medical_therapy="minoxidil_topical;finasteride_oral", hair_calibre_um="062.50"),
        numbered("patient", 2),
        numbered("patient", 2, sex="female"),
        numbered("patient", 3, sex="x9"),
        numbered("patient", 3, sex="x9"),
    ]
    periods = [
        SOUND["site_period"],
        SOUND["site_period"] | {"sessions_declared": "13"},
        SOUND["site_period"] | {"site_code": "B"},
    ]
    report = take(write_csv(tmp_path / "patient.csv", patients), write_csv(tmp_path / "period.csv", periods))
    assert [(file.loaded, file.unchanged, file.held_back) for file in report.files] == [(1, 1, 4), (1, 0, 2)]
    assert held_back(empty_registry) == {
        *(("patient", row, "duplicate_key", "patient_key", f"patient-{2:016}") for row in (3, 4)),
        *(("patient", row, "unknown_code", "sex", f"patient-{3:016}") for row in (5, 6)),
        *(("site_period", row, "duplicate_key", "site_code", "A/2026-Q2") for row in (1, 2)),
    }


def test_siblings_in_the_registry_are_met(
    sound_files: dict[str, Path], take: Take, empty_registry: Path, tmp_path: Path
) -> None:
    """By hand: session 1 of each patient was on 2 March 2020; one has a second session 1, one a session 2 before it."""
    patients = [numbered("patient", number, first_surgery_precision="year") for number in (1, 2, 3)]
    take(write_csv(tmp_path / "patient.csv", patients), sound_files["session"])

    def further(patient: int, session_number: str, performed_on: str) -> dict[str, str]:
        changes = {"session_key": f"further-{patient:016}", "session_number": session_number}
        return numbered("session", patient, performed_on=performed_on, learned_on="") | changes

    rows = [further(1, "1", "2021-01-01"), further(2, "2", "2020-03-01"), further(3, "2", "2021-01-01")]
    report = take(write_csv(tmp_path / "session.csv", rows))
    assert {(row, rule) for _, row, rule, *_ in held_back(empty_registry)} == {
        (1, "session_number_once"),
        (2, "session_number_rises_with_date"),
    }
    assert report.total().loaded == 1


def test_a_row_that_is_at_fault_does_not_hold_back_its_siblings(
    take: Take, empty_registry: Path, tmp_path: Path
) -> None:
    """By hand: session 1 of the second row lies in the future, which would put session 2 before it."""
    sessions = [
        numbered("session", 1, session_number="2", learned_on=""),
        numbered("session", 1, session_key="another-session-0000000001", performed_on="2099-01-01", learned_on=""),
    ]
    alive = {"died_on": "", "status_at_last_contact": "in_follow_up"}
    take(
        write_csv(tmp_path / "session.csv", sessions),
        write_csv(tmp_path / "patient.csv", [numbered("patient", 1) | alive]),
    )
    assert {(row, rule) for _, row, rule, *_ in held_back(empty_registry)} == {(2, "session_not_in_future")}


def test_faults_of_all_files_are_told_together_and_nothing_is_loaded(
    sound_files: dict[str, Path], take: Take, empty_registry: Path, tmp_path: Path
) -> None:
    (tmp_path / "empty.csv").touch()
    write_csv(tmp_path / "unknown.csv", [numbered("visit", 1) | {"surname": "x"}])
    with pytest.raises(GraftledgerError) as caught:
        take(*sound_files.values(), tmp_path / "empty.csv", tmp_path / "unknown.csv")
    assert [(fault.file, fault.field) for fault in caught.value.faults] == [
        ("empty.csv", None),
        ("unknown.csv", "surname"),
    ]
    assert snapshot_of(empty_registry) == EMPTY_SNAPSHOT
    assert query(empty_registry, "select * from intake") == []


@pytest.mark.parametrize("error", [RuntimeError("x"), KeyboardInterrupt(), None], ids=["bug", "interrupt", "database"])
def test_a_failure_while_loading_leaves_the_registry_as_it_was(
    error: BaseException | None,
    sound_files: dict[str, Path],
    take: Take,
    empty_registry: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The failure comes after all rows were written, inside the transaction."""

    def fail(connection: Any, *args: Any) -> None:
        if error is not None:
            raise error
        connection.execute("select * from no_such_table")

    monkeypatch.setattr(loading, "note_files", fail)
    with pytest.raises(type(error) if error is not None else GraftledgerError):
        take(sound_files["patient"])
    assert snapshot_of(empty_registry) == EMPTY_SNAPSHOT
    assert query(empty_registry, "select * from intake") == []
    assert query(empty_registry, "select * from patient") == []


def test_the_last_guard_refuses_a_key_twice(
    take: Take, empty_registry: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Were a check to miss a duplicate, the transaction would not."""
    patients = [numbered("patient", 1), numbered("patient", 1, sex="female")]
    monkeypatch.setattr("pipelines.intake.judging._note", lambda *args, **kwargs: 0)
    with pytest.raises(GraftledgerError, match="contradict the registry"):
        take(write_csv(tmp_path / "patient.csv", patients))
    assert snapshot_of(empty_registry) == EMPTY_SNAPSHOT


NAMES = {record: [dict.fromkeys(SOUND[record], "Miller, Jane") for _ in range(2)] for record in SOUND}


def everything_kept(folder: Path) -> str:
    """The content of every table, but for what rows held back hold."""
    with open_registry(folder) as registry:
        execute = registry.connection.execute
        tables = [name for (name,) in execute("select table_name from duckdb_tables()").fetchall()]
        columns = "columns(lambda name: not suffix(name, 'content'))"
        return "".join(str(execute(f"select {columns} from {table}").fetchall()) for table in tables)


def test_names_in_every_field_stop_the_delivery_and_are_repeated_nowhere(
    take: Take, empty_registry: Path, tmp_path: Path
) -> None:
    with pytest.raises(GraftledgerError) as caught:
        take(*(write_csv(tmp_path / f"{record}.csv", rows) for record, rows in NAMES.items()))
    assert snapshot_of(empty_registry) == EMPTY_SNAPSHOT
    assert query(empty_registry, "select * from held_back_row") == []
    for text in (str(caught.value), repr(caught.value.faults), everything_kept(empty_registry)):
        assert "Miller" not in text
        assert "Jane" not in text


def test_what_the_gate_passes_is_kept_with_the_row_held_back_and_nowhere_else(
    take: Take, empty_registry: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The gate is left open: what is told of a row names places and fields alone."""
    monkeypatch.setattr("pipelines.intake.incoming.find_identifiers", lambda *args, **kwargs: [])
    report = take(*(write_csv(tmp_path / f"{record}.csv", rows) for record, rows in NAMES.items()))
    assert report.total().held_back == report.total().read == 12
    kept = everything_kept(empty_registry)
    assert "visit.csv" in kept
    for text in (kept, repr(report)):
        assert "Miller" not in text
        assert "Jane" not in text
    assert query(empty_registry, "select count(*) from held_back_row where content like '%Miller%'") == [(12,)]


def test_chunks_and_the_whole_give_one_result(take: Take, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Rows of one key meet in one chunk, however small the chunks are."""
    monkeypatch.setattr("pipelines.intake.frames.CHUNK_ROWS", 4)
    patients = [numbered("patient", number) for number in range(20)]
    patients += [numbered("patient", number, sex="female") for number in range(10)]
    patients += [numbered("patient", 99, patient_key="", sex="x9")] * 5
    report = take(write_csv(tmp_path / "patient.csv", patients))
    assert [(file.loaded, file.held_back) for file in report.files] == [(10, 25)]
    assert {(rule.rule, rule.rows) for rule in report.rules} == {
        ("duplicate_key", 20),
        ("missing_required", 5),
        ("unknown_code", 5),
    }


@given(data=st.data())
@settings(max_examples=6, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture], derandomize=True)
def test_mangled_files_never_load_in_part(
    data: st.DataObject, sound_files: dict[str, Path], tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Some bytes of a sound delivery are overwritten: it is refused whole, or every row is accounted for."""
    folder = tmp_path_factory.mktemp("mangled")
    for record, path in sound_files.items():
        content = bytearray(path.read_bytes())
        for _ in range(data.draw(st.integers(0, 2))):
            start = data.draw(st.integers(len(content) // 3, len(content) - 1))
            content[start : start + 3] = data.draw(st.sampled_from([b"", b"x", b",", b'"', b"\n", b"-1", b"\xff"]))
        (folder / f"{record}.csv").write_bytes(content)
    start_registry(folder / "registry", ["A", "B"], ["S1", "S2"], "Test practice")
    refused = False
    with open_registry(folder / "registry", read_only=False) as registry:
        try:
            report = run_intake(registry, [folder], today=TODAY, received_by="test")
        except GraftledgerError:
            refused = True
    if refused:
        assert snapshot_of(folder / "registry") == EMPTY_SNAPSHOT
        assert query(folder / "registry", "select * from intake") == []
    else:
        total = report.total()
        assert total.read == total.loaded + total.corrected + total.unchanged + total.held_back + total.refused
        assert snapshot_of(folder / "registry") == report.snapshot_after
